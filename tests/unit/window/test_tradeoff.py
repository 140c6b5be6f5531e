from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest

from kit.printer import assess_prints
from kit.printer.cost import print_cost
from kit.study.description import Printer, Specimen
from kit.window.probability import chance_to_meet
from kit.window.region import find_window
from kit.window.tradeoff import STOPPED, TRIED, trade_offs
from kit.window.whatif import what_if
from tests.unit.window.made import demo_surfaces

SURFACES, STUDY = demo_surfaces(
    noise=1.3,
    printer=Printer(acceleration=1500),
    specimen=Specimen(straight_path=40, path_per_layer=1000, layers=40, volume=4.0),
)
WINDOW = find_window(SURFACES, STUDY)
FOUND = trade_offs(SURFACES, STUDY, WINDOW)


def test_cost_is_that_of_the_assessment() -> None:
    settings = WINDOW.grid.iloc[::97][list(STUDY.coding.names)]
    table = assess_prints(STUDY, settings).table
    cost = print_cost(STUDY, settings)
    np.testing.assert_array_equal(cost["minutes"], table["minutes"])
    np.testing.assert_array_equal(cost["grams"], table["grams"])


def test_fastest_settings_are_the_fastest_of_the_window() -> None:
    assert FOUND is not None
    assert FOUND.fastest is not None
    good = WINDOW.grid[WINDOW.grid["probability"] >= WINDOW.confidence]
    assert FOUND.fastest.minutes == pytest.approx(print_cost(STUDY, good)["minutes"].min())
    assert FOUND.fastest.probability >= WINDOW.confidence
    assert FOUND.fastest.minutes <= FOUND.recommended.minutes
    assert FOUND.thriftiest is None  # neither flow nor layer height is varied: all weigh the same


def test_each_edge_fails_one_step_outside_or_was_not_tried() -> None:
    assert FOUND is not None
    assert len(FOUND.edges) == 6
    for edge in FOUND.edges:
        if edge.stopped_by in (TRIED, STOPPED):
            continue
        axis = list(WINDOW.steps[edge.factor])
        outside = axis[axis.index(edge.at) + (1 if edge.side == "high" else -1)]
        inside = {
            n: [v for v in WINDOW.steps[n] if low <= v <= high]
            for n, (low, high) in WINDOW.ranges.items()
        }
        inside[edge.factor] = [outside]
        table = pd.DataFrame(list(product(*inside.values())), columns=list(inside))
        chances = chance_to_meet(SURFACES, STUDY.coding.code(table))
        assert edge.probability == pytest.approx(chances.min())
        assert edge.probability < WINDOW.confidence
        dropped = chance_to_meet(SURFACES, STUDY.coding.code(table), drop=edge.stopped_by)
        assert dropped[chances.argmin()] > chances.min()


def test_asking_more_ends_where_nothing_reaches_it() -> None:
    assert FOUND is not None
    assert {one.response for one in FOUND.asking_more} == {"gloss", "strength"}
    for one in FOUND.asking_more:
        rows = one.rows
        assert rows["limit"].is_monotonic_increasing
        assert rows["share"].is_monotonic_decreasing
        assert rows["minutes"].is_monotonic_increasing
        assert rows["share"].iloc[0] == pytest.approx(WINDOW.share)
        assert rows["probability"].min() >= WINDOW.confidence
        response = STUDY.response_named(one.response)
        beyond = float(rows["limit"].iloc[-1]) + 0.05
        stricter = STUDY.model_copy(
            update={
                "response": tuple(
                    r.model_copy(update={"lower": beyond}) if r == response else r
                    for r in STUDY.responses
                )
            }
        )
        assert find_window(SURFACES, stricter).recommended is None


def test_without_a_window_there_is_nothing_to_choose() -> None:
    hard = STUDY.model_copy(
        update={
            "response": tuple(
                r.model_copy(update={"lower": 1000.0, "upper": None}) for r in STUDY.responses
            )
        }
    )
    assert trade_offs(SURFACES, hard, find_window(SURFACES, hard)) is None


def test_what_if_agrees_with_the_grid() -> None:
    row = WINDOW.grid.iloc[321]
    settings = {n: float(row[n]) for n in STUDY.coding.names}
    found = what_if(SURFACES, STUDY, settings)
    assert found is not None
    assert found.probability == pytest.approx(row["probability"])
    assert what_if(SURFACES, STUDY, {**settings, "nozzle": 300.0}) is None
