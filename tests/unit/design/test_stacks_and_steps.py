"""Height-stacked plans and small steps: balanced, in order, and refused where they would mislead."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.design.added import CURVATURE, DOUBT, SEPARATE, add_runs, purpose_named
from kit.design.choose import choose_design, plan_runs
from kit.design.height_stacked import (
    height_correlation,
    heights,
    is_confounded,
    level_orders,
    settling_layers,
    williams_square,
)
from kit.design.order import order_runs
from kit.errors import DesignError, UsageError
from kit.study.description import Factor
from kit.study.stacked import monotone_warning
from tests.unit.design.studies import BED, FAN, NOZZLE, SPEED, study


@given(st.integers(2, 9))
def test_williams_squares_balance_position_and_neighbour(levels: int) -> None:
    # Williams, Australian J. Scientific Research A 2 (1949): balance for residual effects.
    square = williams_square(levels)
    for column in square.T:
        assert len(set(np.bincount(column, minlength=levels).tolist())) == 1
    pairs = [p for row in square.tolist() for p in pairwise(row)]
    counts = {p: pairs.count(p) for p in pairs}
    assert len(counts) == levels * (levels - 1)
    assert len(set(counts.values())) == 1


@given(st.integers(2, 7), st.integers(2, 16), st.integers(0, 9))
def test_level_orders_are_permutations_and_never_all_alike(
    levels: int, stacks: int, seed: int
) -> None:
    orders = level_orders(levels, stacks, np.random.default_rng(seed))
    assert orders.shape == (stacks, levels)
    assert (np.sort(orders, axis=1) == np.arange(levels)).all()
    if stacks % levels == 0:
        assert height_correlation(orders) == pytest.approx(0, abs=1e-12)
    assert not is_confounded(orders)


def test_a_stacked_plan_keeps_its_order_and_counts_height() -> None:
    asked = study(
        NOZZLE, family="height_stacked", specimen={"min_layer_time": 8}, printer={"heating_rate": 1}
    )
    plan = plan_runs(asked)
    assert len(plan.runs) == 25
    assert plan.support.residual_df == 25 - 3 - 4 - 1
    assert any("first 5 layers" in n for n in plan.notes)
    ordered = order_runs(plan.runs, np.random.default_rng(3), study=asked)
    was = {tuple(g["nozzle"]) for _, g in plan.runs.groupby("block")}
    assert {tuple(g["nozzle"]) for _, g in ordered.groupby("block")} == was
    assert heights(ordered).reshape(5, 5).tolist() == [[-1, -0.5, 0, 0.5, 1]] * 5
    assert ordered["note"].str.startswith("height ").all()


def test_a_rising_order_is_refused_unless_insisted_on_and_then_marked() -> None:
    design = {"family": "height_stacked", "level_order": "rising"}
    with pytest.raises(DesignError, match="cannot be told from that of height"):
        choose_design(study(NOZZLE, **design))
    insisted = study(NOZZLE, insist=True, **design)
    assert any("cannot be told apart" in n for n in plan_runs(insisted).notes)
    assert "by choice" in (monotone_warning(insisted) or "")
    assert monotone_warning(study(NOZZLE, family="height_stacked")) is None


@pytest.mark.parametrize(
    ("factors", "design", "text"),
    [
        ((NOZZLE, SPEED), {}, "exactly one factor with height; easy to change here: nozzle, speed"),
        ((Factor(name="pause", low=0, high=4, step=1),), {}, "cannot be changed within a print"),
        ((NOZZLE,), {"runs": 16, "blocks": 3}, "the same number of levels"),
        ((NOZZLE,), {"runs": 5}, "at least 2 stacks"),
        ((BED, NOZZLE), {"blocks": 3}, "a multiple of 2"),
    ],
)
def test_stacks_that_cannot_be_are_refused(factors: tuple, design: dict, text: str) -> None:
    with pytest.raises(DesignError, match=text):
        choose_design(study(*factors, family="height_stacked", **design))


def test_a_hard_factor_changes_from_stack_to_stack() -> None:
    runs = choose_design(study(BED, NOZZLE, family="height_stacked"))
    assert (runs.groupby("block")["bed"].nunique() == 1).all()
    assert (runs.groupby("block")["nozzle"].nunique() == 5).all()


def test_settling_layers() -> None:
    assert settling_layers(20, 1, 8) == 3
    assert settling_layers(-16, 1, 8) == 2
    assert settling_layers(0, 1, 8) == 0


def test_small_steps_are_cycles_around_the_middle() -> None:
    runs = choose_design(study(NOZZLE, FAN, family="small_steps", replicates=4))
    assert runs.groupby("block").size().tolist() == [5] * 4
    assert (runs.groupby("block")["note"].apply(lambda n: (n == "centre point").sum()) == 1).all()
    assert len(choose_design(study(NOZZLE, FAN, family="small_steps", runs=10))) == 10


@pytest.mark.parametrize(
    ("factors", "design", "text"),
    [
        ((NOZZLE,), {}, "two or three factors"),
        ((NOZZLE, FAN), {"runs": 11}, "a cycle has 5 prints"),
        ((NOZZLE, FAN), {"replicates": 2, "blocks": 3}, "set replicates only"),
    ],
)
def test_small_steps_that_cannot_be_are_refused(factors: tuple, design: dict, text: str) -> None:
    with pytest.raises(DesignError, match=text):
        choose_design(study(*factors, family="small_steps", **design))


def five() -> list[Factor]:
    return [Factor(name=n, low=0, high=10, step=1) for n in ("a", "b", "c", "d", "e")]


def test_added_runs_separate_what_was_mixed_up() -> None:
    asked = study(*five(), family="fractional_factorial", runs=12)
    added = add_runs(asked, choose_design(asked), SEPARATE)
    assert "a:b" in added.before.lost
    assert not [n for n in added.after.lost if ":" in n]
    assert any("can tell a:b" in s or "a:b" in s for s in added.sentences)


def test_added_runs_see_curvature() -> None:
    asked = study(family="full_factorial", terms="interactions")
    runs = choose_design(asked)
    added = add_runs(asked, runs, CURVATURE)
    assert added.widened == ("nozzle^2", "speed^2", "fan^2")
    assert not added.after.lost
    assert any("[model]" in s for s in added.sentences)


def test_added_runs_narrow_the_doubt_and_start_a_block_of_their_own() -> None:
    asked = study(family="central_composite")
    added = add_runs(asked, choose_design(asked), DOUBT, 6)
    assert len(added.settings) == 6
    assert added.after.shares.mean() < added.before.shares.mean()
    assert added.after.df > added.before.df


def test_purposes_are_found_by_a_word() -> None:
    assert purpose_named("doubt") == DOUBT
    for text in ("", "the", "faster"):
        with pytest.raises(UsageError, match="see curvature"):
            purpose_named(text)
    asked = study(family="central_composite")
    none = choose_design(asked).head(0)
    with pytest.raises(DesignError, match="no runs yet"):
        add_runs(asked, none, DOUBT)
