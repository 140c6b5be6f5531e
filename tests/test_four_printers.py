"""The demo studies of four printers, pooled: made from their truth, and equal to a mixed model of all rows."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.bench.instruments import specimen_results
from kit.pool_frame import shared_frame
from kit.report.batch import find_studies
from kit.report.pooled import Pooled, pool_studies
from kit.study.intake import take_in
from kit.study.read import read_study
from kit.terms import expand_terms, model_matrix
from tests.pooled_data import HOME, files


@pytest.fixture(scope="module")
def pooled(tmp_path_factory: pytest.TempPathFactory) -> Pooled:
    folder = tmp_path_factory.mktemp("printers") / "four-printers"
    shutil.copytree(HOME, folder, ignore=shutil.ignore_patterns("pool", "report"))
    return pool_studies(folder, find_studies(folder))


def test_the_files_follow_from_the_truth() -> None:
    for path, text in files().items():
        found = (HOME / path).read_text(encoding="utf-8")
        assert found == text, f"{path}: run python -m tests.pooled_data"


@pytest.mark.filterwarnings(
    "ignore:Random effects covariance is singular"
)  # at a trial of its search
def test_equals_a_mixed_model_of_statsmodels_on_all_rows(pooled: Pooled) -> None:
    """Reference: MixedLM (REML, a random intercept a printer) on the stacked print means."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    folders = find_studies(HOME)
    frame, _ = shared_frame({f.name: read_study(f) for f in folders})
    tables = []
    for folder in folders:
        data = take_in(folder)
        for name, measured in specimen_results(data).items():
            means = measured.prints[["run", "value"]].merge(data.runs, on="run")
            tables.append(means.assign(quantity=name, printer=folder.name))
    rows = pd.concat(tables)
    for name, fit in pooled.answer.fits.items():
        mine = rows[rows["quantity"] == name]
        coded = frame.coding.code({n: mine[n] for n in frame.coding.names})
        X = model_matrix(frame.coding, expand_terms(frame.coding, frame.model.terms), coded)
        scale = float(mine["value"].std())  # MixedLM's search stops early for values in hundredths
        found = MixedLM(mine["value"].to_numpy() / scale, X, mine["printer"].to_numpy()).fit(
            reml=True, method=["nm"]
        )
        assert fit.coefficients == pytest.approx(scale * found.fe_params, rel=1e-4, abs=1e-6)
        assert fit.components[1] == pytest.approx(scale**2 * found.scale, rel=1e-3)
        assert fit.components[0] == pytest.approx(scale**2 * float(found.cov_re[0, 0]), rel=1e-2)


def test_the_truth_lies_within_what_is_said(pooled: Pooled) -> None:
    answer = pooled.answer
    assert answer.joint
    assert answer.possible.low < answer.probability < answer.possible.high
    assert answer.possible.between["gloss"][0] < 1.5 < answer.possible.between["gloss"][1]
    assert (
        answer.possible.between["width_error"][0]
        < 0.015
        < answer.possible.between["width_error"][1]
    )


def test_the_page_says_how_little_four_printers_tell(pooled: Pooled) -> None:
    page = pooled.page.read_text(encoding="utf-8")
    assert "4 printers tell only so much of all the others" in page
    assert page.count("<img ") == 2
    figures = {p.name for p in (pooled.page.parent / "figures").iterdir()}
    assert figures == {"chance-new-printer.png", "printers.png"}
    numbers = json.loads((pooled.page.parent / "results.json").read_text(encoding="utf-8"))
    best = numbers.get("recommended") or numbers["best_compromise"]
    assert best["probability_low"] < best["probability_on_a_new_printer"] < best["probability_high"]
    assert numbers["joint"] is True


def test_pooling_again_gives_the_same_bytes(pooled: Pooled, tmp_path: Path) -> None:
    shutil.copytree(HOME, tmp_path / "again")
    again = pool_studies(tmp_path / "again", find_studies(tmp_path / "again"), workers=2)
    for name in ("results.json", "figures/printers.png"):
        assert (again.page.parent / name).read_bytes() == (pooled.page.parent / name).read_bytes()


def test_a_study_without_prints_that_have_everything(pooled: Pooled, tmp_path: Path) -> None:
    """One study measured gloss on some prints and width on the others: pooled, but multiplied, and said."""
    folder = tmp_path / "parted"
    shutil.copytree(HOME, folder)
    path = folder / "upstairs" / "readings.csv"
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    odd = table["run"].astype(int) % 2 == 1
    table[odd == (table["quantity"] == "gloss")].to_csv(path, index=False)
    answer = pool_studies(folder, find_studies(folder)).answer
    assert not answer.joint
    assert any("multiplied" in note for note in answer.notes)
    product = np.prod(list(answer.alone.values()))
    assert answer.probability == pytest.approx(product, abs=1e-4)
