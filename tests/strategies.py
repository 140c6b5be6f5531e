"""Strategies that several property tests share."""

from __future__ import annotations

import pandas as pd
from hypothesis import strategies as st

from kit.study.limits import LinearLimit
from kit.study.new_text import Answers
from kit.study.presets import FACTOR_PRESETS, RESPONSE_PRESETS
from kit.terms import CodedFactor, Coding

FACTOR_NAMES = ("nozzle", "speed", "fan", "flow_rate", "Q2")

finite = st.floats(allow_nan=False, allow_infinity=False)
sizes = st.floats(min_value=-1e4, max_value=1e4, allow_nan=False).map(lambda x: round(x, 4))

cell_text = st.text(
    st.characters(codec="utf-8", exclude_characters="\0"),  # a zero byte is no text
    max_size=12,
)
"""Any text a cell may hold, quotes, commas, line ends and formula signs among it."""

one_line = st.text(st.characters(codec="utf-8", exclude_categories=["C"]), max_size=30)


@st.composite
def frames(draw: st.DrawFn) -> pd.DataFrame:
    """Tables with a key, some text and some numbers, missing ones among them."""
    count = draw(st.integers(0, 6))
    many = {"min_size": count, "max_size": count}
    return pd.DataFrame(
        {
            "run": [str(i) for i in range(count)],
            "nozzle": pd.Series(draw(st.lists(st.none() | finite, **many)), dtype="float64"),
            "block": pd.Series(draw(st.lists(st.integers(-(2**53), 2**53), **many)), dtype="int64"),
            "note": pd.Series(draw(st.lists(cell_text, **many)), dtype="str"),
            "excluded": pd.Series(draw(st.lists(cell_text, **many)), dtype="str"),
        }
    )


@st.composite
def linear_limits(draw: st.DrawFn) -> LinearLimit:
    """Limits on one to five factors."""
    names = draw(st.lists(st.sampled_from(FACTOR_NAMES), min_size=1, unique=True))
    coefficient = sizes.filter(lambda c: c != 0)
    return LinearLimit({name: draw(coefficient) for name in names}, draw(sizes))


@st.composite
def codings(draw: st.DrawFn) -> Coding:
    """One to four factors, some on a scale, some categories."""
    names = draw(st.lists(st.sampled_from(FACTOR_NAMES), min_size=1, max_size=4, unique=True))
    factors = []
    for name in names:
        if draw(st.booleans()):
            low = draw(st.floats(-500, 500))
            factors.append(CodedFactor(name, low, low + draw(st.floats(0.01, 500))))
        else:
            factors.append(
                CodedFactor(name, levels=draw(st.sampled_from([("a", "b"), ("a", "b", "c d")])))
            )
    return Coding(tuple(factors))


@st.composite
def answers(draw: st.DrawFn) -> Answers:
    """What a maker might answer to the questions for a new study."""
    low = draw(st.integers(140, 325))
    stated = draw(st.none() | st.just((float(low), float(draw(st.integers(low + 5, 330))))))
    return Answers(
        title=draw(one_line.filter(str.strip)),
        scope=draw(one_line),
        polymer=draw(one_line),
        stated_range=stated,
        printer=draw(one_line),
        factors=tuple(
            draw(st.lists(st.sampled_from(sorted(FACTOR_PRESETS)), min_size=1, unique=True))
        ),
        responses=tuple(
            draw(st.lists(st.sampled_from(sorted(RESPONSE_PRESETS)), min_size=1, unique=True))
        ),
    )
