"""The table of simulated size, power and coverage keeps its limits, and can be repeated."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.unit.model.mixed_simulations import PLOTS, RATIOS, TABLE, simulate

KEY = ["design", "ratio", "kind", "quantity"]


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return pd.read_csv(TABLE)


def found(table: pd.DataFrame, kind: str, quantity: str, ratios: tuple[float, ...]) -> pd.Series:
    chosen = (table["kind"] == kind) & (table["quantity"] == quantity)
    values = table.loc[chosen & table["ratio"].isin(ratios), "found"]
    assert len(values) >= len(ratios)
    return values


@pytest.mark.parametrize(
    "quantity",
    ["other effects", "all effects", "means at settings", "future print in a new plot"],
)
def test_stated_coverage_is_kept(table: pd.DataFrame, quantity: str) -> None:
    assert found(table, "coverage", quantity, RATIOS).between(0.93, 0.975).all()
    assert found(table, "coverage", quantity, (0.5, 2.0)).between(0.93, 0.97).all()


@pytest.mark.parametrize("quantity", ["component of plots", "component of prints"])
def test_component_intervals_cover(table: pd.DataFrame, quantity: str) -> None:
    # Without any variance between plots the interval covers more often: it starts at zero.
    assert found(table, "coverage", quantity, RATIOS).between(0.935, 0.985).all()
    assert found(table, "coverage", quantity, (2.0, 8.0)).between(0.935, 0.965).all()


def test_no_false_alarms_beyond_the_level(table: pd.DataFrame) -> None:
    # A component of zero makes the test cautious; it reaches 5 % once plots clearly differ.
    assert (found(table, "size", "Kenward-Roger", RATIOS) < 0.055).all()
    straight = table[table["design"].str.contains("straight")]
    assert found(straight, "size", "Kenward-Roger", (2.0, 8.0)).between(0.035, 0.055).all()
    assert (found(straight, "size", "normal limits", (2.0, 8.0)) > 0.10).all()
    assert (found(straight, "size", "least squares without plots", (2.0, 8.0)) > 0.20).all()


def test_caution_costs_no_power_where_effects_matter(table: pd.DataFrame) -> None:
    power = table[table["kind"] == "power"]
    assert len(power) == len(RATIOS)
    assert (np.abs(power["found"] - power["expected"]) < 0.03).all()


@pytest.mark.slow
@pytest.mark.parametrize("name", PLOTS)
@pytest.mark.parametrize("ratio", RATIOS)
def test_the_table_can_be_repeated(table: pd.DataFrame, name: str, ratio: float) -> None:
    repeats = 250
    again = simulate(name, ratio, repeats, seed=99)
    both = again.merge(table, on=KEY, suffixes=("", "_kept"), validate="1:1")
    assert len(both) == len(again)
    p = both["found_kept"].clip(0.01, 0.99)
    # Four standard errors, for each of the roughly 150 numbers.
    assert (np.abs(both["found"] - p) < 4 * np.sqrt(p * (1 - p) / repeats) + 0.01).all()
