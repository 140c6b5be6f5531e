"""Readings at the limit of the instrument, from curve, typed force, typed value or note to the print."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from kit.bench.instruments import specimen_results
from kit.bench.measured import Measured, censored_runs
from kit.study.description import Curves, Response
from tests.unit.bench.test_instruments import respond, take

BENDING = {"unit": "MPa", "span": 64.0}


def bar(run: str, specimen: str, force: float) -> list[tuple[Any, ...]]:
    rows = {"force": force, "width": 10.0, "thickness": 4.0}
    return [(run, specimen, quantity, value) for quantity, value in rows.items()]


def measured(
    response: Response, rows: list[tuple[Any, ...]], limit: float | None = None, **notes: str
) -> Measured:
    """Take rows; ``notes`` by run are written beside each of its readings."""
    data = take(response, rows)
    readings = data.readings.assign(
        note=data.readings["run"].map(notes).fillna(""),
        part=data.readings["quantity"].replace("y", "value"),
    )
    study = data.study.model_copy(update={"curves": Curves(force_limit=limit)})
    (only,) = specimen_results(replace(data, study=study, readings=readings)).values()
    return only


def test_a_typed_force_at_the_limit_makes_its_print_a_lower_bound() -> None:
    rows = [*bar("1", "A", 90.0), *bar("1", "B", 100.0), *bar("2", "A", 80.0), *bar("2", "B", 84.0)]
    m = measured(respond("three_point_bending", **BENDING), rows, limit=100.0)
    assert m.specimens["censored"].tolist() == [False, True, False, False]
    assert censored_runs(m) == ("1",)
    assert m.prints["value"].tolist() == pytest.approx([57.0, 49.2])  # the mean is kept as read
    assert "at the limit of the instrument" in m.specimens["flags"][1]
    assert any("a fitted surface counts it so" in note for note in m.notes)
    # Specimens of print 2 alone tell how specimens scatter: (48 - 50.4)^2 / 2 on 1 df.
    assert m.specimen_df == 1
    assert m.specimen_variance == pytest.approx(2.4**2 / 2)


@pytest.mark.parametrize(("force", "hit"), [(99.4, False), (99.5, True), (120.0, True)])
def test_displays_waver_in_their_last_digit(force: float, hit: bool) -> None:
    m = measured(respond("three_point_bending", **BENDING), bar("1", "A", force), limit=100.0)
    assert bool(censored_runs(m)) == hit


def test_typed_values_have_a_limit_of_their_own() -> None:
    response = respond("direct", unit="GU", limit_of_scale=100.0)
    m = measured(response, [("1", "A", "y", 99.9), ("2", "A", "y", 100.0), ("2", "A", "y", 60.0)])
    assert censored_runs(m) == ("2",)
    bending = respond("three_point_bending", limit_of_scale=50.0, **BENDING)
    m = measured(bending, [("1", "A", "y", 51.0), *bar("2", "A", 99.0)])
    assert censored_runs(m) == ("1",)  # the limit is one of values, not of forces


def test_a_note_says_it_as_well() -> None:
    rows = [*bar("one", "A", 90.0), *bar("two", "A", 80.0)]
    m = measured(
        respond("three_point_bending", **BENDING), rows, one="Did not break, off the supports"
    )
    assert censored_runs(m) == ("one",)


def test_what_is_read_below_the_limit_has_none() -> None:
    modulus = respond("tensile", unit="MPa", strength_property="modulus")
    m = measured(modulus, [("1", "A", "y", 2000.0)], one="did not break", limit=1.0)
    assert censored_runs(m) == ()


def test_nothing_at_the_limit_leaves_no_mark() -> None:
    m = measured(respond("three_point_bending", **BENDING), bar("1", "A", 90.0))
    assert not m.prints["censored"].any()
    assert m.notes == ()
