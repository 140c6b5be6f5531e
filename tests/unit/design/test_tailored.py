"""Plans made to measure: limits, printer, fixed runs, whole plots, and how close they come to the bound."""

from __future__ import annotations

import numpy as np
import pytest

from kit.design.choose import choose_design, plan_runs
from kit.design.tailored import bound, settable_levels, study_region
from kit.errors import DesignError
from kit.printer import assess_prints
from kit.study.description import Factor
from tests.unit.design.studies import BED, FAN, NOZZLE, SPEED, SPOOL, study

MELT = {"melt_limit": 8.0, "layer_height": 0.2, "line_width": 0.45, "acceleration": 5000.0}


def test_an_optimal_plan_keeps_to_limits_steps_and_total() -> None:
    runs = choose_design(study(family="optimal", runs=14, limits=("nozzle + 0.25*speed <= 250",)))
    assert len(runs) == 14
    assert (runs["nozzle"] + 0.25 * runs["speed"] <= 250).all()
    assert (runs["nozzle"] % 5 == 0).all()
    assert (runs["speed"] > 80).any()


def test_the_same_seed_gives_the_same_plan() -> None:
    asked = study(family="optimal", runs=13)
    assert choose_design(asked).equals(choose_design(asked))
    other = choose_design(asked.model_copy(update={"seed": 99}))
    assert len(other) == 13


def test_what_the_printer_cannot_do_is_left_out_where_asked() -> None:
    asked = study(
        family="optimal", runs=14, feasible=True, printer=MELT, specimen={"straight_path": 40}
    )
    runs = choose_design(asked)
    assert assess_prints(asked, runs).possible.all()
    free = choose_design(
        study(family="optimal", runs=14, printer=MELT, specimen={"straight_path": 40})
    )
    assert not assess_prints(asked, free).possible.all()


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_efficiency_against_the_bound(criterion: str) -> None:
    asked = study(family="optimal", runs=16, criterion=criterion)
    best = bound(asked, criterion)
    assert best.gap < 1e-3
    d, i = best.efficiency(asked.coding.code(choose_design(asked)))
    assert 0.9 < (d if criterion == "D" else i) <= 1


def test_blocks_and_categories() -> None:
    runs = choose_design(study(NOZZLE, SPEED, SPOOL, family="optimal", blocks=2, runs=16))
    assert runs["block"].value_counts().tolist() == [8, 8]
    assert set(runs["spool"]) == {"white", "pink"}


def test_centre_points_are_kept() -> None:
    runs = choose_design(study(family="optimal", runs=15, centre_points=3, blocks=2))
    assert (runs["note"] == "centre point").sum() == 3
    middle = (runs["nozzle"] == 210) & (runs["speed"] == 80) & (runs["fan"] == 60)
    assert middle.sum() >= 3


def test_split_plots_hold_the_hard_factor_still() -> None:
    plan = plan_runs(study(BED, NOZZLE, FAN, family="split_plot", runs=20, changes=7))
    assert plan.runs["block"].nunique() == 7
    assert (plan.runs.groupby("block")["bed"].nunique() == 1).all()
    assert not plan.support.not_estimable
    hard_spool = SPOOL.model_copy(update={"hard_to_change": True})
    runs = choose_design(study(hard_spool, NOZZLE, FAN, family="optimal", runs=18))
    assert (runs.groupby("block")["spool"].nunique() == 1).all()
    assert runs["block"].nunique() >= 4


@pytest.mark.parametrize(
    ("design", "text"),
    [
        ({"runs": 9}, "9 runs cannot estimate 10 terms"),
        ({"limits": ("nozzle <= 180",)}, "No settable run meets all limits"),
        ({"limits": ("nozzle <= 190",)}, "nozzle cannot move within the limits"),
        ({"replicates": 2}, "leave replicates out"),
        ({"runs": 12, "centre_points": 13}, "13 centre points do not fit"),
    ],
)
def test_what_cannot_be_is_refused_with_the_way_out(design: dict, text: str) -> None:
    with pytest.raises(DesignError, match=text):
        choose_design(study(family="optimal", **design))


@pytest.mark.parametrize(
    ("design", "text"),
    [
        ({"changes": 3}, "Set changes = 5 or more"),
        ({"blocks": 2}, "leave blocks out"),
        ({"centre_points": 2}, "leave centre_points out"),
        ({"changes": 2}, "at least 3 changes"),
    ],
)
def test_split_plots_that_cannot_be_are_refused(design: dict, text: str) -> None:
    with pytest.raises(DesignError, match=text):
        choose_design(study(BED, NOZZLE, FAN, family="split_plot", **design))


def test_settable_levels_are_whole_steps_up_to_high() -> None:
    assert settable_levels(Factor(name="a", low=0, high=10, step=4)).tolist() == [-1.0, -0.2, 0.6]
    assert len(settable_levels(Factor(name="a", low=0, high=10))) == 21
    fine = settable_levels(Factor(name="a", low=0, high=10, step=0.001))
    assert len(fine) <= 201
    assert fine[-1] == 1.0


def test_the_region_knows_the_limits_in_coded_units() -> None:
    region = study_region(study(limits=("nozzle + 0.25*speed <= 250",)))
    assert region.permits(np.array([[1.0, 0.0, 0.0], [1.0, 0.1, 0.0]])).tolist() == [True, False]
