"""Coding, term names and the model matrix; the matrix is compared with another library's."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.terms import (
    FACTOR_NAME,
    CodedFactor,
    Coding,
    Term,
    block_columns,
    expand_terms,
    make_term,
    missing_parents,
    model_matrix,
)
from tests.strategies import codings

NOZZLE, SPEED = CodedFactor("nozzle", 190, 230), CodedFactor("speed", 40, 120)
SPOOL = CodedFactor("spool", levels=("white", "pink", "glow"))
CODING = Coding((NOZZLE, SPOOL, SPEED))


def names(terms: object, coding: Coding = CODING) -> list[str]:
    return [t.name for t in expand_terms(coding, terms)]  # type: ignore[arg-type]


def test_low_and_high_are_minus_and_plus_one() -> None:
    assert NOZZLE.code([190, 210, 230, 250]).tolist() == [-1, 0, 1, 2]
    assert NOZZLE.decode(np.array([-1.0, 0.5])).tolist() == [190, 220]
    assert SPOOL.code(["pink", "white"]).tolist() == [1, 0]
    assert SPOOL.decode(np.array([2.0])) == ["glow"]


def test_unknown_levels_are_named() -> None:
    with pytest.raises(
        ValueError, match="spool: unknown level 'blue'; levels are white, pink, glow"
    ):
        SPOOL.code(["white", "blue"])


@given(codings(), st.data())
def test_decoding_undoes_coding(coding: Coding, data: st.DataObject) -> None:
    n = data.draw(st.integers(1, 4))
    settings = {
        f.name: data.draw(
            st.lists(
                st.sampled_from(f.levels) if f.is_category else st.floats(-1e3, 1e3),
                min_size=n,
                max_size=n,
            )
        )
        for f in coding.factors
    }
    coded = coding.code(pd.DataFrame(settings))
    assert coded.shape == (n, len(coding.factors))
    for name, back in coding.decode(coded).items():
        if coding[name].is_category:
            assert list(back) == settings[name]
        else:
            size = max(map(abs, [coding[name].low, coding[name].high, *settings[name]]))
            assert np.allclose(back, settings[name], rtol=0, atol=1e-9 * max(1, size))


def test_families() -> None:
    assert names("main") == ["intercept", "nozzle", "spool=pink", "spool=glow", "speed"]
    assert names("interactions")[5:] == [
        "nozzle:spool=pink",
        "nozzle:spool=glow",
        "nozzle:speed",
        "spool=pink:speed",
        "spool=glow:speed",
    ]
    assert names("second_order")[-2:] == ["nozzle^2", "speed^2"]


def test_number_of_second_order_terms_is_the_textbook_one() -> None:
    # (k + 1)(k + 2) / 2 coefficients (Myers, Montgomery & Anderson-Cook, chapter 6).
    for k in range(1, 8):
        coding = Coding(tuple(CodedFactor(f"x{i}") for i in range(k)))
        assert len(expand_terms(coding, "second_order")) == (k + 1) * (k + 2) // 2


def test_a_list_keeps_its_order_and_spells_names_in_study_order() -> None:
    assert names(["speed:nozzle", "intercept", "nozzle", "nozzle", "speed^2:nozzle"]) == [
        *("intercept", "nozzle:speed", "nozzle", "nozzle:speed^2"),
    ]
    assert names(["nozzle:nozzle"]) == ["intercept", "nozzle^2"]
    assert names(["spool=glow:nozzle"]) == ["intercept", "nozzle:spool=glow"]


@pytest.mark.parametrize(
    ("terms", "reason"),
    [
        ("quadratic", "use main, interactions, second_order or a list"),
        (["glue"], "no factor 'glue'; factors are nozzle, spool, speed"),
        (["spool^2"], "a category such as spool has no square"),
        (["spool:spool"], "a category such as spool has no square"),
        (["spool=white"], "level 'white' is not one of pink, glow"),
        (["nozzle=hot"], "nozzle is on a scale and has no levels"),
        (["nozzle^0"], "must be at least 1"),
        (["nozzle^-1"], "must be a whole number"),
        (["nozzle^\u00b2"], "must be a whole number"),
        (["nozzle^7"], "powers above 6"),
        (["nozzle:"], "no factor ''"),
        ([""], "no factor ''"),
    ],
)
def test_terms_that_cannot_be_read(terms: object, reason: str) -> None:
    with pytest.raises(ValueError, match=re.escape(reason)):
        names(terms)


@given(codings(), st.sampled_from(["main", "interactions", "second_order"]))
def test_every_name_reads_back_as_its_term(coding: Coding, family: str) -> None:
    terms = expand_terms(coding, family)
    assert expand_terms(coding, [t.name for t in terms]) == terms
    assert len({t.name for t in terms}) == len(terms)
    assert missing_parents(terms, coding) == []


def test_missing_parents_are_named() -> None:
    terms = expand_terms(CODING, ["nozzle^2:speed", "spool=pink:speed"])
    assert missing_parents(terms, CODING) == [
        *("nozzle:speed", "nozzle^2", "spool=pink", "speed", "nozzle"),
    ]


def test_orders_and_factors_of_terms() -> None:
    term = make_term(CODING, {"speed": 2}, {"spool": "pink"})
    assert (term.name, term.order, term.factors) == ("spool=pink:speed^2", 3, ("speed", "spool"))
    assert not term.is_main_effect
    assert expand_terms(CODING, ["spool"])[1].is_main_effect
    assert Term().order == 0


def test_model_matrix_agrees_with_another_library() -> None:
    """Treatment contrasts to the first level and products of columns, as patsy builds them."""
    patsy = pytest.importorskip("patsy")
    rng = np.random.default_rng(5)
    settings = pd.DataFrame(
        {
            "nozzle": rng.uniform(190, 230, 12),
            "spool": rng.choice(SPOOL.levels, 12),
            "speed": rng.uniform(40, 120, 12),
        }
    )
    coded = CODING.code(settings)
    mine = pd.DataFrame(
        model_matrix(CODING, expand_terms(CODING, "second_order"), coded),
        columns=names("second_order"),
    )
    frame = settings.assign(nozzle=coded[:, 0], speed=coded[:, 2])
    levels = "C(spool, levels=['white', 'pink', 'glow'])"
    formula = (
        f"nozzle * {levels} + nozzle * speed + {levels} * speed + I(nozzle ** 2) + I(speed ** 2)"
    )
    other = patsy.dmatrix(formula, frame, return_type="dataframe")

    def renamed(name: str) -> str:
        name = re.sub(r"C\(spool, levels=\[.*?\]\)\[T\.(\w+)\]", r"spool=\1", name)
        name = re.sub(r"I\((\w+) \*\* 2\)", r"\1^2", name)
        if name == "Intercept":
            return "intercept"
        return ":".join(sorted(name.split(":"), key=_place))

    other.columns = [renamed(c) for c in other.columns]
    assert sorted(other.columns) == sorted(mine.columns)
    assert np.allclose(mine, other[list(mine.columns)], rtol=0, atol=1e-12)


def _place(part: str) -> int:
    return next(i for i, name in enumerate(CODING.names) if part.startswith(name))


def test_model_matrix_worked_by_hand() -> None:
    coded = CODING.code({"nozzle": [230, 200], "spool": ["white", "pink"], "speed": [60, 120]})
    terms = expand_terms(CODING, ["nozzle", "spool", "nozzle:speed", "speed^2"])
    assert model_matrix(CODING, terms, coded).tolist() == [
        [1, 1, 0, 0, -0.5, 0.25],
        [1, -0.5, 1, 0, -0.5, 1],
    ]


@given(st.lists(st.integers(1, 5), min_size=1, max_size=12))
def test_blocks_sum_to_zero(labels: list[int]) -> None:
    columns_of, columns = block_columns(labels)
    unique = sorted(set(labels))
    assert columns_of == [f"block={b}" for b in unique[1:]]
    assert columns.shape == (len(labels), len(unique) - 1)
    # Over one run of each block every column sums to 0, so the intercept is their equal-weight mean.
    first = [labels.index(b) for b in unique]
    assert (columns[first].sum(axis=0) == 0).all()


def test_names_that_may_be_used() -> None:
    assert all(FACTOR_NAME.fullmatch(n) for n in ("nozzle", "Q2", "a_b"))
    assert not any(FACTOR_NAME.fullmatch(n) for n in ("2nd", "a b", "a:b", "_a", "", "a=b", "a^2"))
