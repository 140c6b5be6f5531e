"""Fractions against the published tables, and what they promise."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.design.aberration import fraction_for, minimum_aberration
from kit.design.choose import choose_design, plan_runs
from kit.design.fractional import fractional_factorial
from kit.errors import DesignError
from kit.study.description import Factor
from kit.terms import CodedFactor, Coding
from tests.reference.cases import load_case
from tests.unit.design.studies import NOZZLE, SPEED, SPOOL, study

CASE = load_case("t01_fractions_8_16")
# Minimum-aberration patterns A3, A4, ... of 32 to 128 runs: Chen, Sun and Wu, International Statistical
# Review 61 (1993), from memory; what is computed here from the runs must be the same.
LARGER = {
    (6, 5): (0, 0, 0, 1),
    (7, 5): (0, 1, 2, 0, 0),
    (8, 5): (0, 3, 4, 0, 0, 0),
    (9, 5): (0, 6, 8, 0, 0, 1, 0),
    (10, 5): (0, 10, 16, 0, 0, 5, 0, 0),
    (11, 5): (0, 25, 0, 27, 0, 10, 0, 1, 0),
    (8, 6): (0, 0, 2, 1, 0, 0),
    (9, 6): (0, 1, 4, 2, 0, 0, 0),
    (10, 6): (0, 2, 8, 4, 0, 1, 0, 0),
    (11, 6): (0, 4, 14, 8, 0, 3, 2, 0, 0),
    (9, 7): (0, 0, 0, 3, 0, 0, 0),
    (10, 7): (0, 0, 3, 3, 1, 0, 0, 0),
    (11, 7): (0, 0, 6, 6, 2, 1, 0, 0, 0),
}


def coding(k: int) -> Coding:
    return Coding(tuple(CodedFactor(f"f{i}") for i in range(k)))


@pytest.mark.parametrize(
    ("runs", "k"), [(8, k) for k in range(4, 8)] + [(16, k) for k in range(5, 12)]
)
def test_resolution_and_word_lengths_of_8_and_16_runs_are_as_published(runs: int, k: int) -> None:
    fraction = minimum_aberration(k, runs.bit_length() - 1)
    CASE.check(f"{runs} runs k={k}: resolution", fraction.resolution)
    CASE.check(f"{runs} runs k={k}: word_length_pattern A3,A4,...", list(fraction.pattern))


@pytest.mark.parametrize(("k", "basis"), LARGER)
def test_word_lengths_of_larger_fractions_are_as_published(k: int, basis: int) -> None:
    assert minimum_aberration(k, basis).pattern == LARGER[k, basis]


@pytest.mark.parametrize(("k", "basis"), [(5, 3), (6, 4), (7, 4), (7, 5)])
def test_no_choice_of_words_has_less_aberration(k: int, basis: int) -> None:
    words = [w for w in range(1, 1 << basis) if w.bit_count() > 1]
    best = min(_pattern_by_products(chosen, k, basis) for chosen in combinations(words, k - basis))
    assert minimum_aberration(k, basis).pattern == best


def _pattern_by_products(words: tuple[int, ...], k: int, basis: int) -> tuple[int, ...]:
    generators = [w | 1 << (basis + i) for i, w in enumerate(words)]
    group = [0]
    for g in generators:
        group += [x ^ g for x in group]
    return tuple(sum(x.bit_count() == length for x in group[1:]) for length in range(3, k + 1))


@given(st.integers(3, 11), st.integers(3, 7))
def test_the_relation_agrees_with_the_pattern_and_the_runs(k: int, basis: int) -> None:
    if basis > k or k >= 1 << basis:
        with pytest.raises(DesignError, match="more runs than factors"):
            minimum_aberration(k, basis)
        return
    fraction = minimum_aberration(k, basis)
    lengths = [len(w) for w in fraction.relation] if basis < k else []
    assert tuple(lengths.count(n) for n in range(3, k + 1)) == fraction.pattern
    signs = fraction.signs
    assert np.array_equal(signs.T @ signs, fraction.runs * np.eye(k))
    for word in fraction.relation if basis < k else ():
        assert abs(signs[:, list(word)].prod(axis=1).sum()) == fraction.runs


def test_the_smallest_fraction_is_chosen_for_what_the_model_asks() -> None:
    factors = [Factor(name=f"f{i}", low=0, high=10, step=1) for i in range(5)]
    assert len(choose_design(study(*factors, family="fractional_factorial"))) == 16 + 4
    assert len(choose_design(study(*factors, family="fractional_factorial", terms="main"))) == 20
    assert len(choose_design(study(*factors, family="fractional_factorial", runs=12))) == 12
    six = [*factors, NOZZLE]
    runs = choose_design(study(*six, family="fractional_factorial", terms="interactions"))
    assert len(runs) == 32 + 4


def test_blocks_spare_main_effects_and_pairs_where_they_can() -> None:
    made = fractional_factorial(coding(6), fraction_for(6, 4), blocks=2)
    assert np.bincount(made.block).tolist() == [0, 8, 8]
    assert abs(made.coded[made.block == 1].sum(axis=0)).max() == 0
    assert not any(len(g) == 1 for g in made.given_up)
    with pytest.raises(DesignError, match="possible: 1, 2, 4, 8 blocks"):
        fractional_factorial(coding(6), fraction_for(6, 4), blocks=3)


def test_what_is_mixed_up_is_said_in_factor_names() -> None:
    factors = [Factor(name=n, low=0, high=10, step=1) for n in ("bed", "fan", "flow", "speed")]
    plan = plan_runs(study(*factors, family="fractional_factorial", runs=12))
    assert plan.support.residual_df > 0
    assert any("bed:fan cannot be told from flow:speed" in n for n in plan.notes)


def test_categories_of_two_levels_are_taken_and_of_three_are_refused() -> None:
    runs = choose_design(study(NOZZLE, SPEED, SPOOL, terms="main", family="fractional_factorial"))
    assert runs["spool"].value_counts().tolist() == [6, 6]
    three = SPOOL.model_copy(update={"levels": ("white", "pink", "blue")})
    with pytest.raises(DesignError, match=r'spool has 3\. Use two, or family = "optimal"'):
        choose_design(study(NOZZLE, SPEED, three, family="fractional_factorial"))


def test_too_few_runs_are_refused_with_the_least_number() -> None:
    factors = [Factor(name=f"f{i}", low=0, high=10, step=1) for i in range(9)]
    with pytest.raises(DesignError, match="at least 16 corners; ask for 16 runs"):
        choose_design(study(*factors, family="fractional_factorial", runs=12))
