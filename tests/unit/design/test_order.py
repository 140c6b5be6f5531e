"""Print order and measuring order: permutations, repeatable, restricted where it matters."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.design.choose import choose_design
from kit.design.factorial import CENTRE
from kit.design.order import (
    DEFAULT_REPEATS,
    centre_places,
    order_runs,
    readings_to_fill,
    specimen_label,
)
from kit.study.names import READING_COLUMNS
from kit.study.quantities import quantity_names
from tests.unit.design.studies import BED, FAN, NOZZLE, SPOOL, study

COMPOSITE = study(family="central_composite")
PLAN = choose_design(COMPOSITE)
FACTORS = ["nozzle", "speed", "fan", "note"]


def rows(table: pd.DataFrame, columns: list[str]) -> list[tuple[object, ...]]:
    return sorted(map(tuple, table[columns].to_numpy().tolist()), key=repr)


@settings(deadline=None)
@given(seed=st.integers(0, 2**32), blocks=st.sampled_from([1, 2, 3]))
def test_ordered_runs_are_a_permutation_and_the_same_for_the_same_seed(
    seed: int, blocks: int
) -> None:
    plan = choose_design(study(family="central_composite", blocks=blocks))
    ordered = order_runs(plan, np.random.default_rng(seed))
    again = order_runs(plan, np.random.default_rng(seed))
    pd.testing.assert_frame_equal(ordered, again)
    assert rows(ordered, FACTORS) == rows(plan, FACTORS)
    assert ordered["print_order"].tolist() == list(range(1, 19))
    assert ordered["run"].tolist() == [f"{i:02d}" for i in range(1, 19)]
    # Blocks stay whole and rise in the order they are printed.
    assert ordered["block"].is_monotonic_increasing
    assert sorted(ordered["block"].value_counts()) == sorted(plan["block"].value_counts())
    partition = {
        frozenset(map(tuple, p[FACTORS].to_numpy().tolist())) for _, p in plan.groupby("block")
    }
    assert partition == {
        frozenset(map(tuple, p[FACTORS].to_numpy().tolist())) for _, p in ordered.groupby("block")
    }


def test_other_seeds_give_other_orders() -> None:
    orders = {tuple(order_runs(PLAN, np.random.default_rng(seed))["nozzle"]) for seed in range(20)}
    assert len(orders) > 15


def test_every_place_is_equally_likely_for_a_corner() -> None:
    # Run 1 of the plan may stand in 14 places (the other 4 are the centre points'); chi-square at 5 sigma.
    rng = np.random.default_rng(11)
    plan = PLAN.assign(tag=range(len(PLAN)))
    places = [order_runs(plan, rng)["tag"].tolist().index(0) for _ in range(700)]
    counts = np.bincount(places, minlength=18)
    free = np.setdiff1d(np.arange(18), centre_places(4, 18))
    assert counts[np.array(centre_places(4, 18))].sum() == 0
    chi2 = ((counts[free] - 50.0) ** 2 / 50.0).sum()
    assert chi2 < 13 + 5 * np.sqrt(2 * 13)


def test_centre_points_are_first_last_and_evenly_between() -> None:
    ordered = order_runs(PLAN, np.random.default_rng(1))
    assert np.flatnonzero(ordered["note"] == CENTRE).tolist() == [0, 6, 11, 17]
    given_flags = order_runs(PLAN, np.random.default_rng(1), centre=[False] * 18)
    assert np.flatnonzero(given_flags["note"] == CENTRE).tolist() != [0, 6, 11, 17]


@given(total=st.integers(1, 200), data=st.data())
def test_centre_places_are_different_places_of_the_block(total: int, data: st.DataObject) -> None:
    count = data.draw(st.integers(0, total))
    places = centre_places(count, total)
    assert len(set(places)) == count
    assert all(0 <= p < total for p in places)


def test_rounds_keep_their_order_and_labels_go_on() -> None:
    first = choose_design(study(NOZZLE, FAN, terms="main", centre_points=2), round_name="screening")
    second = choose_design(study(NOZZLE, FAN, family="central_composite"), round_name="surface")
    second["block"] = 2
    both = pd.concat([first, second], ignore_index=True)
    ordered = order_runs(both, np.random.default_rng(3), first_run=98)
    assert ordered["round"].tolist() == ["screening"] * 6 + ["surface"] * 12
    assert ordered["run"].iloc[[0, -1]].tolist() == ["098", "115"]
    assert ordered["print_order"].iloc[0] == 98


def test_mixed_blocks_are_split_by_hard_to_change_settings() -> None:
    asked = study(BED, NOZZLE, family="central_composite")
    runs = choose_design(asked).assign(block=1)
    ordered = order_runs(runs, np.random.default_rng(5), study=asked)
    assert len(ordered[["block", "bed"]].drop_duplicates()) == 3
    assert ordered["block"].nunique() == 3
    assert (ordered["bed"].ne(ordered["bed"].shift()).sum()) == 3


def test_readings_to_fill_lists_every_reading_once() -> None:
    asked = study(family="central_composite", specimen={"specimens_per_print": 2})
    runs = order_runs(choose_design(asked), np.random.default_rng(1))
    table = readings_to_fill(asked, runs, np.random.default_rng(2))
    assert list(table.columns) == list(READING_COLUMNS)
    assert not table.duplicated(["run", "specimen", "quantity", "repeat"]).any()
    each = DEFAULT_REPEATS["dimension"] + DEFAULT_REPEATS["gloss"] + 3
    assert len(table) == 18 * 2 * each
    assert set(table["quantity"]) <= quantity_names(asked).keys()
    assert table["value"].isna().all()
    assert set(table["run"]) == set(runs["run"])
    assert set(table["specimen"]) == {"A", "B"}
    pd.testing.assert_frame_equal(table, readings_to_fill(asked, runs, np.random.default_rng(2)))


def test_measuring_order_is_random_and_what_breaks_comes_last() -> None:
    runs = order_runs(PLAN, np.random.default_rng(1))
    table = readings_to_fill(COMPOSITE, runs, np.random.default_rng(2))
    assert table["quantity"].drop_duplicates().tolist() == [
        "width_error",
        "gloss",
        "width",
        "thickness",
        "force",
    ]
    for quantity in ("width_error", "gloss", "force"):
        order = table.loc[table["quantity"] == quantity, "run"].drop_duplicates().tolist()
        assert sorted(order) == runs["run"].tolist()
        assert order != runs["run"].tolist()
    broken = table[table["quantity"].isin(["width", "thickness", "force"])]
    assert broken["quantity"].tolist() == ["width", "thickness", "force"] * 18


def test_failed_runs_are_not_measured() -> None:
    runs = order_runs(PLAN, np.random.default_rng(1))
    runs.loc[3, "status"] = "failed"
    table = readings_to_fill(COMPOSITE, runs, np.random.default_rng(2))
    assert set(table["run"]) == set(runs["run"]) - {"04"}


@pytest.mark.parametrize(
    ("i", "label"), [(0, "A"), (25, "Z"), (26, "AA"), (51, "AZ"), (702, "AAA")]
)
def test_specimen_labels(i: int, label: str) -> None:
    assert specimen_label(i) == label


def test_categories_are_ordered_too() -> None:
    plan = choose_design(study(NOZZLE, SPOOL, terms="interactions", centre_points=2))
    ordered = order_runs(plan, np.random.default_rng(0))
    assert rows(ordered, ["nozzle", "spool"]) == rows(plan, ["nozzle", "spool"])
