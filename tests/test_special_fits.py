"""Special fits from the study folder to page and numbers, and how a study asks for them wrongly."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.analysis import Analysis, analyse
from kit.errors import ModelError
from kit.report.results import results_document
from kit.report.show_answer import show_answer
from kit.report.show_data import show_prints
from kit.report.show_models import show_checks, show_effects, show_terms
from kit.study.read import study_problems
from tests.special_studies import HEAD, hooks


def problems(response: str = "", model: str = "") -> list[str]:
    return [str(p) for p in study_problems(HEAD.format(response=response, model=model))[1]]


@pytest.fixture(scope="module")
def limited(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    folder = tmp_path_factory.mktemp("limited") / "study"
    return analyse(hooks(folder, response="limit_of_scale = 49.5", limit=49.5))


def test_prints_at_the_limit_are_said_on_the_page(limited: Analysis) -> None:
    said = "reached the limit of the instrument"
    assert said in show_answer(limited).plain()
    assert "At the limit of the instrument" in show_checks(limited).plain()
    assert "≥ 49.50" in show_prints(limited).plain()


def test_prints_at_the_limit_stand_in_the_numbers(limited: Analysis) -> None:
    found = results_document(limited)["models"]["strength"]
    assert set(found["at_limit"]) == {"runs", "method", "naive_lower_by", "naive_residual_sd"}
    assert found["at_limit"]["naive_lower_by"][0] > 0
    assert found["r2"] is None
    assert found["df"] == found["runs_used"] - len(found["at_limit"]["runs"]) - 6


def test_a_usual_study_says_nothing_of_it(tmp_path: Path) -> None:
    usual = results_document(analyse(hooks(tmp_path / "usual")))["models"]["strength"]
    assert not {"at_limit", "spread", "selection"} & set(usual)


def test_limits_of_scale_that_make_no_sense() -> None:
    assert problems("limit_of_scale = 49.5") == []
    text = HEAD.format(response="limit_of_scale = 5", model="").replace('"direct"', '"score"')
    found = [str(p) for p in study_problems(text.replace('unit = "MPa"', ""))[1]]
    assert any('limit_of_scale is for from = "direct"' in p for p in found)
    bent = 'property = "modulus"\nlimit_of_scale = 3000'
    text = HEAD.format(response=bent, model="").replace('"direct"', '"tensile"')
    found = [str(p) for p in study_problems(text)[1]]
    assert any("modulus is read off the curve below it" in p for p in found)


@pytest.fixture(scope="module")
def uneven(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    folder = tmp_path_factory.mktemp("uneven") / "study"
    return analyse(hooks(folder, response='spread = ["nozzle"]', uneven=1.2))


def test_scatter_by_setting_is_said_on_the_page(uneven: Analysis) -> None:
    said = "times as much as at 190 °C"
    assert said in show_answer(uneven).plain()
    assert "Scatter by setting" in show_checks(uneven).plain()
    assert "scatter least at nozzle 190 °C" in show_checks(uneven).plain()


def test_scatter_by_setting_stands_in_the_numbers(uneven: Analysis) -> None:
    found = results_document(uneven)["models"]["strength"]
    ratio = found["spread"]["ratios"]["nozzle"]
    assert (ratio["at"], ratio["against"]) == (230.0, 190.0)
    assert 1 < ratio["low"] < ratio["ratio"] < ratio["high"]
    assert found["spread"]["p_even"] < 0.05
    assert found["terms"]["nozzle"]["df"] < found["df"]


def test_spreads_that_make_no_sense() -> None:
    assert problems('spread = ["nozzle", "speed"]') == []
    assert "did you mean 'nozzle'?" in problems('spread = ["nozle"]')[0]
    assert "named twice" in problems('spread = ["nozzle", "nozzle"]')[0]
    assert "beside random groups" in problems('spread = ["nozzle"]', 'blocks = "random"')[0]
    assert "delete one of scale and spread" in problems('spread = ["nozzle"]\nscale = "log"')[0]


def test_too_few_prints_for_a_spread_say_how_many(tmp_path: Path) -> None:
    folder = hooks(tmp_path / "study", response='spread = ["nozzle", "speed"]')
    runs = (folder / "runs.csv").read_text(encoding="utf-8").splitlines()
    (folder / "runs.csv").write_text("\n".join([*runs[:15], ""]), encoding="utf-8")
    readings = (folder / "readings.csv").read_text(encoding="utf-8").splitlines()
    (folder / "readings.csv").write_text("\n".join([*readings[:15], ""]), encoding="utf-8")
    with pytest.raises(ModelError, match="18 prints for this model, there are 14"):
        analyse(folder)


@pytest.fixture(scope="module")
def selected(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    return analyse(hooks(tmp_path_factory.mktemp("selected") / "study", model='selection = "aicc"'))


def test_selected_terms_are_marked_as_optimistic(selected: Analysis) -> None:
    assert "Caution, optimistic" in show_answer(selected).plain()
    assert "Terms chosen by these prints" in show_checks(selected).plain()
    found = results_document(selected)["models"]["strength"]["selection"]
    assert found["optimistic"] is True
    assert found["left_out"] == ["speed^2"]
    assert found["near"] == len(found["runners_up"]) == 3


def test_a_dropped_main_effect_leaves_the_page_whole(tmp_path: Path) -> None:
    folder = hooks(tmp_path / "study", model='selection = "aicc"')
    runs = pd.read_csv(folder / "runs.csv", dtype=str, keep_default_na=False)
    runs["speed"] = np.random.default_rng(1).permutation(runs["speed"])  # speed now does nothing
    runs.to_csv(folder / "runs.csv", index=False)
    found = analyse(folder)
    assert "speed" in found.surfaces["strength"].selection.left_out
    for show in (show_answer, show_checks, show_effects, show_prints, show_terms):
        assert show(found).plain()
    assert results_document(found)["recommended"]["settings"]["speed"] >= 40


def test_selections_that_make_no_sense() -> None:
    assert problems(model='selection = "aicc"') == []
    assert (
        "allowed" in problems(model='selection = "bic"')[0]
        or "aicc" in problems(model='selection = "bic"')[0]
    )
    assert "beside random groups" in problems(model='selection = "aicc"\nblocks = "random"')[0]
    assert "beside a spread" in problems('spread = ["nozzle"]', 'selection = "aicc"')[0]
