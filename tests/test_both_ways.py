"""The answer with and without what a check found, from a study folder to page and numbers."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.analysis import Analysis, analyse
from kit.report.results import results_document
from kit.report.show_answer import show_answer
from kit.report.show_models import show_checks
from tests.demo_data import DATA

GLOSS = 7.0  # GU, by which a print is made to stand out


def changed_demo(folder: Path, change: str) -> Path:
    """Copy the demo and put a fault into its gloss readings."""
    shutil.copytree(DATA / "satin-or-gloss", folder, ignore=shutil.ignore_patterns("report"))
    runs = pd.read_csv(folder / "runs.csv", dtype=str)
    readings = pd.read_csv(folder / "readings.csv", dtype=str, keep_default_na=False)
    gloss = readings["quantity"] == "gloss"
    if change == "outlier":
        add = np.where(readings["run"] == "05", -2 * GLOSS, 0.0)
    else:
        order = dict(zip(runs["run"], runs["print_order"].astype(float), strict=True))
        add = -0.8 * readings["run"].map(order).to_numpy()
    values = readings["value"].astype(float) + add
    readings.loc[gloss, "value"] = values[gloss].round(1).astype(str)
    readings.to_csv(folder / "readings.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def outlier(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    return analyse(changed_demo(tmp_path_factory.mktemp("odd") / "study", "outlier"))


def test_a_print_that_stands_out_is_shown_both_ways_and_kept(outlier: Analysis) -> None:
    assert "05" in set(outlier.surfaces["gloss"].observations["run"])
    way = next(w for w in outlier.other_ways if w.what == "without run 05")
    assert "gloss" in way.why
    clean = analyse(DATA / "satin-or-gloss")
    assert way.reached == (clean.window.recommended is not None)
    page = show_checks(outlier).plain()
    assert "without run 05" in page
    assert "as it stands" in page
    if way.differs_from(outlier.window):
        assert "Without run 05 the answer would be another" in show_answer(outlier).plain()


def test_numbers_carry_both_answers(outlier: Analysis) -> None:
    ways = results_document(outlier)["other_ways"]
    assert ways[0]["what"] == "without run 05"
    assert ways[0]["answer"]["settings"]


def test_a_drift_is_taken_out_beside_the_answer(tmp_path: Path) -> None:
    found = analyse(changed_demo(tmp_path / "study", "drift"))
    drift = next(c for c in found.checks["gloss"] if c.name == "drift")
    assert drift.passed is False
    # The planted fall is 0.8 GU a print, on top of whatever the demo itself does.
    span = len(found.runs) - 1
    assert drift.table["low"][0] < -0.8 * span < drift.table["high"][0]
    assert any("print order taken out" in w.what for w in found.other_ways)


def test_calm_studies_show_one_answer() -> None:
    clean = analyse(DATA / "satin-or-gloss")
    names = {c.name for cs in clean.checks.values() for c in cs if c.passed is False}
    if not names & {"outliers", "influence", "drift", "measuring_drift"}:
        assert clean.other_ways == ()
        assert "other_ways" not in results_document(clean)
    assert "of 100 responses" in show_checks(clean).plain()
