from __future__ import annotations

import math

import pytest

from kit.study.description import Factor, Response, Study
from kit.study.quantities import (
    ambiguous_names,
    is_complete,
    quantities_to_read,
    quantity_names,
    response_range,
)


def study(*responses: Response) -> Study:
    return Study(title="x", factor=(Factor(name="a", low=0, high=1),), response=responses)


BEND = Response(name="bend", recipe="three_point_bending", span=64)
PULL = Response(name="pull", recipe="tensile")
GLOSS = Response(name="gloss", recipe="gloss")
SIZE = Response(name="size", recipe="dimension", nominal=20)


def test_one_strength_has_short_and_long_names() -> None:
    names = quantity_names(study(BEND, GLOSS, SIZE))
    assert names["force"] == names["bend_force"]
    assert (names["force"].name, names["force"].unit, names["width"].unit) == ("force", "N", "mm")
    assert set(names) == {
        *("bend", "force", "bend_force", "width", "bend_width", "thickness", "bend_thickness"),
        *("gloss", "gloss_along", "gloss_across", "size"),
    }


def test_two_strengths_need_long_names() -> None:
    both = study(BEND, PULL)
    names = quantity_names(both)
    assert "force" not in names
    assert names["pull_force"].name == "pull_force"
    assert ambiguous_names(both)["force"] == ("bend_force", "pull_force")
    assert [q.name for q in quantities_to_read(both)] == [
        *("bend_force", "bend_width", "bend_thickness"),
        *("pull_force", "pull_width", "pull_thickness"),
    ]


def test_what_a_maker_reads() -> None:
    assert [q.name for q in quantities_to_read(study(BEND, GLOSS, SIZE))] == [
        *("force", "width", "thickness", "gloss", "size"),
    ]


@pytest.mark.parametrize(
    ("response", "expected"),
    [
        (SIZE, (15, 25)),
        (Response(name="s", recipe="dimension", nominal=0.4), (0, 1.4)),
        (Response(name="s", recipe="dimension", nominal=20_000, unit="um"), (15_000, 25_000)),
        (Response(name="s", recipe="dimension", nominal=20, plausible=(19, 21)), (19, 21)),
        (GLOSS, (0, 200)),
        (Response(name="g", recipe="gloss", plausible=(1, 90)), (1, 90)),
        (Response(name="p", recipe="tensile", unit="GPa"), (0, 1)),
        (Response(name="d", unit="MPa"), (0, 5000)),
        (Response(name="d", unit="furlong"), (-math.inf, math.inf)),
        (Response(name="d"), (-math.inf, math.inf)),
    ],
)
def test_plausible_readings(response: Response, expected: tuple[float, float]) -> None:
    read = quantity_names(study(response))[response.name]
    assert (read.low, read.high) == pytest.approx(expected)


def test_limits_of_a_dimension_are_deviations() -> None:
    assert response_range(SIZE) == (-20, 20)
    assert response_range(
        Response(name="s", recipe="dimension", nominal=9, unit="um")
    ) == pytest.approx((-20_000, 20_000))


def test_what_is_enough_for_a_result() -> None:
    assert is_complete(BEND, {"force", "width", "thickness"})
    assert not is_complete(BEND, {"force", "width"})
    assert is_complete(BEND, {"value"})
    assert is_complete(GLOSS, {"along"})
    assert not is_complete(SIZE, set())
