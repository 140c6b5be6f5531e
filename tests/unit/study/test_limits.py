from __future__ import annotations

import pickle
from contextlib import suppress

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.study.limits import LimitError, LinearLimit, never_met, parse_limit, parse_limits
from kit.terms import CodedFactor, Coding
from tests.strategies import FACTOR_NAMES, linear_limits, sizes

NAMES = ("nozzle", "speed", "fan")
CODING = Coding(
    (
        CodedFactor("nozzle", 190, 230),
        CodedFactor("spool", levels=("a", "b")),
        CodedFactor("speed", 40, 120),
    )
)


@pytest.mark.parametrize(
    ("text", "coefficients", "bound"),
    [
        ("nozzle <= 250", {"nozzle": 1}, 250),
        ("nozzle + 0.25*speed <= 250", {"nozzle": 1, "speed": 0.25}, 250),
        ("nozzle+speed/4<=250", {"nozzle": 1, "speed": 0.25}, 250),
        ("250 >= nozzle + speed*0.25", {"nozzle": 1, "speed": 0.25}, 250),
        ("fan >= 20", {"fan": -1}, -20),
        ("nozzle - 190 >= 2*(".replace("2*(", "2*fan"), {"nozzle": -1, "fan": 2}, -190),
        ("2 * 3 * fan - 1e1 <= speed + .5", {"fan": 6, "speed": -1}, 10.5),
        ("fan + fan - fan <= - -5", {"fan": 1}, 5),
        ("-fan ≤ 5", {"fan": -1}, 5),
        ("fan + 0*speed ≥ 1", {"fan": -1}, -1),
    ],
)
def test_limits_are_read(text: str, coefficients: dict[str, float], bound: float) -> None:
    assert parse_limit(text, NAMES) == LinearLimit(coefficients, bound)


@pytest.mark.parametrize(
    ("text", "position", "reason"),
    [
        ("nozzle + 0.25*sped <= 250", 15, "no factor 'sped'; did you mean 'speed'?"),
        ("nozzle + spool <= 250", 10, "'spool' is a category"),
        ("nozzle < 250", 8, "found '<'; write <= or >="),
        ("nozzle = 250", 8, "found '='; write <= or >="),
        ("nozzle 250", 8, "without a sign before it"),
        ("nozzle", 7, "found 'the end'; <= or >= is missing"),
        ("", 1, "found 'the end'; a number or a factor belongs here"),
        ("190 <= nozzle <= 230", 15, "a second relation"),
        ("0,25*speed <= 30", 2, "decimal point"),
        ("2 (speed) <= 30", 3, "brackets are not read"),
        ("nozzle*speed <= 30", 7, "no product or quotient of factors"),
        ("2/speed <= 30", 2, "no product or quotient of factors"),
        ("nozzle^2 <= 30", 7, "no powers"),
        ("nozzle/0 <= 30", 7, "division by 0"),
        ("2nozzle <= 30", 2, "write * for times"),
        ("nozzle <= ", 10, "a number or a factor belongs here"),
        ("5 <= 7", 1, "limits nothing"),
        ("fan - fan <= 7", 1, "limits nothing"),
        ("1e999*fan <= 7", 1, "too large"),
        ("fan <= 5; exit()", 9, "found ';'"),
        ("__import__('os') <= 5", 11, "brackets"),
    ],
)
def test_what_cannot_be_read_is_pointed_at(text: str, position: int, reason: str) -> None:
    with pytest.raises(LimitError) as caught:
        parse_limit(text, NAMES, categories=["spool"])
    assert caught.value.position + 1 == position
    assert reason in str(caught.value)
    assert f"at character {position}: " in str(caught.value)
    assert pickle.loads(pickle.dumps(caught.value)).reason == caught.value.reason


@given(linear_limits())
def test_a_limit_written_reads_back_as_itself(limit: LinearLimit) -> None:
    assert parse_limit(str(limit), FACTOR_NAMES) == limit


@given(linear_limits(), st.lists(st.tuples(*[sizes] * len(FACTOR_NAMES)), min_size=1, max_size=5))
def test_holds_is_the_sum_against_the_bound(
    limit: LinearLimit, rows: list[tuple[float, ...]]
) -> None:
    settings = pd.DataFrame(rows, columns=list(FACTOR_NAMES))
    for i, kept in enumerate(limit.holds(settings)):
        total = sum(c * settings[name][i] for name, c in limit.coefficients.items())
        room = 1e-6 * (
            1
            + abs(limit.bound)
            + sum(abs(c * settings[n][i]) for n, c in limit.coefficients.items())
        )
        assert kept == (total <= limit.bound) or abs(total - limit.bound) < room


def test_settings_on_the_limit_are_inside() -> None:
    limit = parse_limit("0.1*fan + 0.2*fan <= 0.3", ["fan"])
    assert limit.holds({"fan": [1.0, 1.0001]}).tolist() == [True, False]


@given(st.floats(190, 230), st.floats(40, 120))
def test_coded_and_natural_form_say_the_same(nozzle: float, speed: float) -> None:
    limit = parse_limit("nozzle + 0.25*speed <= 240", ["nozzle", "speed"])
    row, bound = limit.coded(CODING)
    coded = CODING.code({"nozzle": [nozzle], "spool": ["a"], "speed": [speed]})
    assert float(coded[0] @ row) - bound == pytest.approx(nozzle + 0.25 * speed - 240, abs=1e-9)


def test_limits_of_a_plan() -> None:
    first, second = parse_limits(["nozzle <= 225", "speed >= 130"], CODING)
    assert not never_met(first, CODING)
    assert never_met(second, CODING)
    with pytest.raises(LimitError, match="category"):
        parse_limits(["spool <= 1"], CODING)


@given(st.text(alphabet=st.sampled_from("nozlefan0123.eE+-*/<>=≤ ,()^_"), max_size=25))
def test_any_text_is_read_or_refused(text: str) -> None:
    with suppress(LimitError):
        assert np.isfinite(parse_limit(text, FACTOR_NAMES).bound)
