"""The table of false alarms and detections of all checks keeps its limits, and can be repeated."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kit.report.show_both_ways import FALSE_ALARM
from tests.unit.model.check_simulations import DESIGNS, FAULTS, TABLE, simulate

LEVELS = {
    "lack_of_fit": 0.05,
    "drift": 0.07,  # a trend at 5 %, runs and moving average at 1 % each
    "measuring_drift": 0.07,
    "outliers": 0.05,
    "influence": 0.05,
    "replicates": 0.01,
    "spread": 0.02,
    "normality": 0.02,
    "scale": 0.02,
}


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return pd.read_csv(TABLE)


def shares(table: pd.DataFrame, fault: str, check: str) -> pd.Series:
    found = table.loc[(table["fault"] == fault) & (table["check"] == check), "share"]
    assert len(found) == len(DESIGNS)
    return found


@pytest.mark.parametrize("check", LEVELS)
def test_checks_seldom_cry_wolf(table: pd.DataFrame, check: str) -> None:
    assert (shares(table, "nothing", check) <= LEVELS[check] + 0.03).all()


def test_the_page_quotes_the_share_found(table: pd.DataFrame) -> None:
    assert shares(table, "nothing", "any").mean() == pytest.approx(FALSE_ALARM, abs=0.015)


def test_faults_are_seen(table: pd.DataFrame) -> None:
    for fault, check, least in (
        ("drift of 3 SD", "drift", 0.2),
        ("a print off by 6 SD", "outliers", 0.4),
    ):
        seen, calm = shares(table, fault, check), shares(table, "nothing", check)
        assert (seen.to_numpy() > 3 * calm.to_numpy()).all()
        assert (seen > least).all()


def test_a_change_for_a_while_is_seen_where_prints_are_spare(table: pd.DataFrame) -> None:
    # Plates take such a change for their own luck, and 18 prints for 10 terms leave little to see it by.
    seen = shares(table, "a third of the prints off by 3 SD", "drift")
    assert seen.max() > 0.5
    assert seen.min() < 0.05


@pytest.mark.slow
@pytest.mark.parametrize("design", DESIGNS)
@pytest.mark.parametrize("fault", ["nothing", "drift of 3 SD"])
def test_the_table_can_be_repeated(table: pd.DataFrame, design: str, fault: str) -> None:
    repeats = 80
    assert fault in FAULTS
    again = simulate(design, fault, repeats, seed=77)
    both = again.merge(
        table, on=["design", "fault", "check"], suffixes=("", "_kept"), validate="1:1"
    )
    p = both["share_kept"].clip(0.01, 0.99)
    assert (np.abs(both["share"] - p) < 4 * np.sqrt(p * (1 - p) / repeats) + 0.01).all()
