"""Responses on another scale, from the study folder to page, pictures, numbers and wiki."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

from kit.analysis import Analysis, analyse
from kit.charts.curves import mean_interval
from kit.charts.effects import draw_effects
from kit.charts.limits import draw_limits_strip
from kit.charts.surfaces import draw_response_map
from kit.errors import ModelError
from kit.model.compare import compare_levels
from kit.model.scale import AS_MEASURED
from kit.model.scale_effects import shown_effects
from kit.model.scale_words import judged_as_measured, middle_part_note
from kit.report.results import results_document
from kit.report.show_answer import show_answer
from kit.report.show_measuring import show_measuring
from kit.report.show_models import show_checks, show_effects, show_scatter, show_terms
from kit.report.show_sureness import show_confidence
from kit.report.wiki.advice import how_to_adopt
from tests.scaled_studies import clips
from tests.unit.model.builders import make_measured, make_runs, make_study


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    return analyse(clips(tmp_path_factory.mktemp("clips") / "study"))


def test_numbers_are_in_the_unit_and_terms_on_the_scale(found: Analysis) -> None:
    numbers = results_document(found)
    models, choice = numbers["models"], numbers["recommended"]
    assert models["bends"]["scale"] == {"kind": "log", "power": 0.0}
    assert models["stringy"]["scale"]["bounds"] == [0.0, 100.0]
    assert set(models["peel"]["scale"]) == {"kind", "power", "interval", "reference"}
    assert models["bends"]["terms"]["intercept"]["estimate"] == pytest.approx(np.log(80), abs=0.2)
    assert 60 < choice["predictions"]["bends"]["mean"] < 400
    assert (
        0
        <= choice["predictions"]["stringy"]["low"]
        < choice["predictions"]["stringy"]["high"]
        <= 100
    )
    json.dumps(numbers, allow_nan=False)


def test_the_page_says_on_which_scale_and_in_which_unit(found: Analysis) -> None:
    assert "was found from these same prints" in show_answer(found).plain()
    assert "is the middle part" in show_confidence(found).plain()
    effects = show_effects(found).plain()
    assert "Bends until it breaks was fitted as its logarithm" in effects
    assert "log odds between 0 and 100 %" in effects
    assert "typical peel" in effects
    assert "natural logarithm" in str(show_terms(found))
    assert "since it is fitted as its logarithm" in str(show_scatter(found))
    assert "typically misses its predicted bends until it breaks by" in show_checks(found).plain()
    assert "Peel" in show_measuring(found).plain()


def test_pictures_are_in_the_unit(found: Analysis) -> None:
    surface = found.surfaces["bends"]
    picture = draw_response_map(surface, found.study)
    assert "Typical" in picture.caption
    coded = np.array([[0.0, 0.0], [1.0, -1.0]])
    middle, low, high = mean_interval(surface, coded)
    np.testing.assert_allclose(middle, np.exp(surface.mean(coded)))
    assert (low < middle).all()
    assert (middle < high).all()
    shown = shown_effects(surface, found.study)
    drawn = draw_effects(shown.table, shown.response, found.study, shown.note, ratios=shown.ratios)
    assert "×" in drawn.alt
    ticks = [t.get_text() for t in drawn.figure.axes[0].get_xticklabels()]
    assert "×1" in ticks
    plt.close("all")


def test_limits_without_an_end(tmp_path: Path) -> None:
    # A reciprocal that is not known well: the upper limit of a part is no number, and is said so everywhere.
    wide = analyse(clips(tmp_path / "wide", peel="-1", scatter=4.0))
    window = wide.window
    assert window is not None
    choice = window.recommended or window.best_compromise
    assert choice is not None
    peel = replace(choice.predictions["peel"], high=math.inf)
    choice = replace(choice, predictions={**choice.predictions, "peel": peel})
    picture = draw_limits_strip(choice, wide.study)
    assert "∞" in picture.alt
    picture.figure.canvas.draw()
    plt.close("all")
    shape = {
        "recommended": {
            "settings": choice.settings,
            "predictions": {"peel": {"mean": 9.0, "low": 4.0, "high": None}},
        }
    }
    assert any("peel 4.00 N or more" in step for step in how_to_adopt(wide.study, shape))
    json.dumps(results_document(wide), allow_nan=False)


def test_a_value_without_a_place_stops_the_study_with_its_run(tmp_path: Path) -> None:
    folder = clips(tmp_path / "zero")
    path = folder / "readings.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    gone = [
        line.replace(line.split(",")[3], "0")
        if line.startswith(("02,A,peel", "02,B,peel"))
        else line
        for line in lines
    ]
    path.write_text("\n".join([*gone, ""]), encoding="utf-8")
    text = (folder / "study.toml").read_text(encoding="utf-8").replace("[0.1, 1000]", "[0, 1000]")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    with pytest.raises(
        ModelError, match=r'peel: run 02 gave 0.0 N, but scale = "power" needs values above 0'
    ):
        analyse(folder)


def test_what_stays_as_measured_says_so(found: Analysis) -> None:
    said = judged_as_measured(found.study.responses)
    assert said == (
        "The study fits bends until it breaks, share of stringy gaps and peel on another scale; here they are judged as measured.",
    )
    assert (
        judged_as_measured([found.study.responses[0].model_copy(update={"scale": "as_measured"})])
        == ()
    )


def test_comparing_levels_stays_as_measured_and_says_so() -> None:
    table = pd.DataFrame({"spool": ["red", "blue"] * 6})
    rng = np.random.default_rng(2)
    study = make_study({"spool": ("red", "blue")}, terms="main")
    response = study.responses[0].model_copy(update={"scale": "log"})
    study, runs = study.model_copy(update={"response": (response,)}), make_runs(table)
    compared = compare_levels(
        make_measured(study, runs, 20 + rng.normal(size=12)), runs, study, "spool"
    )
    assert compared.levels["estimate"].between(15, 25).all()
    assert any("levels are compared as measured" in note for note in compared.notes)


def test_nothing_is_said_of_a_middle_part_where_no_power_was_called_for(found: Analysis) -> None:
    kept = {
        n: replace(s, scale=AS_MEASURED, stated_response=None) for n, s in found.surfaces.items()
    }
    assert middle_part_note(kept.values()) == ()
    assert "peel" in middle_part_note(found.surfaces.values())[0]


def test_a_check_does_not_advise_what_the_study_refuses(tmp_path: Path) -> None:
    told = analyse(clips(tmp_path / "log", peel='"log"')).checks["peel"]
    spread = next(check for check in told if check.name == "spread")
    assert spread.passed is False
    assert "spread =" not in spread.sentence  # it goes with no other scale
