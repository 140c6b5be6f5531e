"""Scale and constant of several sizes, hole allowances, and the share of the measuring."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from kit.analysis import Analysis, analyse, analyse_data
from kit.model.measuring_share import measuring_share
from kit.model.size_correction import hole_allowances, size_corrections
from kit.study.intake import take_in
from kit.window.measuring_doubt import chance_if_off
from tests.measuring_data import FOLDER


@pytest.fixture(scope="module")
def demo() -> Analysis:
    # One requirement only: the search over five correlated ones takes long and is tested elsewhere.
    data = take_in(FOLDER)
    freed = [
        r if r.name == "gloss" else r.model_copy(update={"lower": None, "upper": None})
        for r in data.study.responses
    ]
    return analyse_data(
        replace(data, study=data.study.model_copy(update={"response": tuple(freed)}))
    )


def test_scale_and_constant_of_exact_sizes(demo: Analysis) -> None:
    # Every size 0.3 % too large and 0.05 mm besides, in every print.
    measured = {}
    for name, result in demo.measured.items():
        nominal = result.response.nominal
        if nominal is not None:
            prints = result.prints.assign(value=0.05 + 0.003 * nominal)
            measured[name] = replace(result, prints=prints)
    (found,) = size_corrections(demo.data, measured)
    assert found.feature == "x"
    assert found.scale.value == pytest.approx(0.003)
    assert found.constant.value == pytest.approx(0.05)
    assert found.enter_scale.value == pytest.approx(1 / 1.003)
    assert found.bend == pytest.approx(0.0, abs=1e-9)


def test_the_truth_of_the_demo_lies_in_its_intervals(demo: Analysis) -> None:
    (found,) = size_corrections(demo.data, demo.measured, {"nozzle": 210.0, "speed": 70.0})
    # truth.toml at the middle: 0.030, -0.020, -0.080 mm at 20, 45, 75 mm, which is 0.07 - 0.002 x nominal.
    assert found.at_settings
    assert found.scale.low <= -0.002 <= found.scale.high
    assert (
        found.constant.low - 0.012 <= 0.07 <= found.constant.high + 0.012
    )  # the caliper's doubt beside it


def test_holes_get_an_allowance_each(demo: Analysis) -> None:
    holes = hole_allowances(demo.data, demo.measured, {"nozzle": 210.0, "speed": 70.0})
    assert [h.nominal for h in holes] == [4.5, 8.0]
    for hole, truth in zip(holes, (0.22, 0.16), strict=True):
        assert hole.allowance.value == pytest.approx(truth, abs=0.03)
        assert hole.allowance.low < hole.allowance.value < hole.allowance.high


def test_prints_and_not_sizes_judge_the_doubt(demo: Analysis) -> None:
    """A shift of whole prints widens the constant and leaves the scale as it is."""
    rng = np.random.default_rng(5)
    shift = dict(zip(demo.data.runs["run"], rng.normal(0, 0.1, len(demo.data.runs)), strict=True))
    moved = {
        n: replace(m, prints=m.prints.assign(value=m.prints["value"] + m.prints["run"].map(shift)))
        for n, m in demo.measured.items()
    }
    (before,), (after,) = (
        size_corrections(demo.data, demo.measured),
        size_corrections(demo.data, moved),
    )
    assert after.scale.value == pytest.approx(before.scale.value)
    assert after.scale.high - after.scale.low == pytest.approx(before.scale.high - before.scale.low)
    assert after.constant.high - after.constant.low > 3 * (
        before.constant.high - before.constant.low
    )


def test_share_of_the_measuring_by_hand(demo: Analysis) -> None:
    # Reading SD 0.02, two specimens of two readings: 0.01 in a print mean; of 0.02 in all, sqrt(4/3) - 1 = 15 %.
    measured = replace(
        demo.measured["gloss"],
        repeat_variance=4e-4,
        specimens_per_print=2.0,
        repeats_per_specimen=2.0,
    )
    surface = replace(demo.surfaces["gloss"], residual_variance=4e-4)
    found = measuring_share(measured, surface)
    assert found.reading_sd == pytest.approx(0.01)
    assert found.added == pytest.approx(np.sqrt(4 / 3) - 1)
    # 2e-4 / n <= 0.21 x 3e-4 first for n = 4.
    assert found.repeats_needed == 4
    bare = replace(measured, repeat_variance=None)
    assert measuring_share(bare, surface) is None
    assert measuring_share(bare, surface, 4e-4).source == "gauge study"


def test_doubt_of_the_instrument_never_raises_the_chance(demo: Analysis) -> None:
    settings = {"nozzle": 215.0, "speed": 60.0}
    fitted, same = chance_if_off(demo.surfaces, settings, {})
    assert same == fitted
    chances = [chance_if_off(demo.surfaces, settings, {"gloss": off})[1] for off in (0.5, 2.0, 6.0)]
    assert fitted >= chances[0] >= chances[1] > chances[2]


def test_results_hold_the_measuring(demo: Analysis) -> None:
    from kit.report.results import results_document

    numbers = results_document(demo)["measuring"]
    assert set(numbers["responses"]) >= {"clip_width", "gloss"}
    assert set(numbers["size_corrections"]) == {"x"}
    assert set(numbers["hole_allowances"]) == {"screw_hole", "peg_hole"}
    assert 0.5 < numbers["agreement"]["strings"]["alpha"] <= 1
    assert "Ada" not in str(numbers)


def test_pages_of_a_study_without_any_of_it_stay_quiet() -> None:
    from kit.report.show_bench import show_scores, show_sizes
    from kit.report.show_curves import show_curves

    plain = analyse(FOLDER.parent / "satin-or-gloss")
    for show in (show_curves, show_sizes, show_scores):
        assert show(plain).blocks == ()
    assert isinstance(plain.data.runs, pd.DataFrame)
