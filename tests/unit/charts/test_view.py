from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kit.charts.view import choose_view, printed_runs, runs_near
from kit.study.description import Factor, Response, Study


def test_axes_keep_the_order_of_the_study(three) -> None:
    view = choose_view(three.surfaces, three.study)
    assert (view.across, view.up, view.along) == (
        "nozzle",
        "speed",
        "fan",
    ) or view.across == "nozzle"
    names = list(three.study.coding.names)
    assert names.index(view.across) < names.index(view.up)


def test_the_factors_that_matter_take_the_axes(three) -> None:
    strength = {"strength": three.surfaces["strength"]}  # speed matters least in its truth
    view = choose_view(strength, three.study)
    assert (view.across, view.up, view.along) == ("nozzle", "fan", "speed")


def test_slices_are_printable_and_hold_the_recommended_value(three) -> None:
    view = choose_view({}, three.study, {"nozzle": 210.0, "speed": 60.0, "fan": 40.0})
    assert view.along == "fan"
    assert view.slices == (40.0, 60.0, 100.0)
    assert choose_view({}, three.study, slices=5).slices == (20.0, 40.0, 60.0, 80.0, 100.0)
    assert choose_view({}, three.study, {"fan": 90.0}, slices=1).slices == (90.0,)


def test_a_category_gives_the_slices(spools) -> None:
    view = choose_view(spools.surfaces, spools.study)
    assert (view.along, view.slices) == ("spool", ("white", "pink"))
    assert view.panels == ({"spool": "white"}, {"spool": "pink"})


def test_more_levels_than_panels_keep_the_recommended_one() -> None:
    many = Factor(name="spool", kind="category", levels=tuple("abcdefg"))
    study = Study(title="t", factor=(many,), response=(Response(name="gloss"),))
    assert choose_view({}, study, {"spool": "g"}).slices == ("a", "b", "c", "d", "g")


@pytest.mark.parametrize("slices", [0, 6])
def test_too_many_or_no_slices_are_refused(three, slices: int) -> None:
    with pytest.raises(ValueError, match=f"slices must be 1 to 5, got {slices}"):
        choose_view({}, three.study, slices=slices)


def test_an_unknown_factor_is_refused_by_name(three) -> None:
    with pytest.raises(
        ValueError, match="no factor 'bed' to slice along; factors are nozzle, speed, fan"
    ):
        choose_view({}, three.study, along="bed")


def test_printed_runs_are_what_was_really_set(three) -> None:
    runs = three.runs.copy()
    runs.loc[0, "nozzle_actual"] = 213.0
    printed = printed_runs(runs, three.study)
    assert printed["nozzle"].iloc[0] == 213.0
    assert "07" not in set(printed["run"])  # it failed
    assert len(printed) == len(runs) - 1


def test_each_run_is_shown_on_one_slice_at_most(three) -> None:
    view = choose_view({}, three.study)
    printed = printed_runs(three.runs, three.study)
    shown = pd.concat(
        [part for panel in view.panels for part in runs_near(printed, three.study, view, panel)]
    )
    assert not shown["run"].duplicated().any()
    assert len(shown) == len(printed)  # the slices are the levels of the plan


def test_a_run_between_slices_is_only_near(three) -> None:
    view = choose_view({}, three.study)
    printed = pd.DataFrame(
        {"run": ["a", "b"], "nozzle": [210.0, 210.0], "speed": [80.0, 80.0], "fan": [62.0, 70.0]}
    )
    on, near = runs_near(printed, three.study, view, {"fan": 60.0})
    assert list(on["run"]) == ["a"]
    assert list(near["run"]) == ["b"]
    assert np.all(
        [len(part) == 0 for part in runs_near(printed, three.study, view, {"fan": 100.0})]
    )
