"""Two-level factorials against published plans and against what defines them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.design.blocks import block_words, confounded_words, possible_blocks
from kit.design.factorial import CENTRE, full_factorial, two_level_corners
from kit.errors import DesignError
from kit.terms import CodedFactor, Coding, expand_terms, model_matrix
from tests.reference.cases import load_case


def scales(k: int) -> Coding:
    return Coding(tuple(CodedFactor(f"x{i}") for i in range(k)))


@pytest.mark.parametrize(
    ("case", "columns"),
    [
        ("f01_ceramic_2_5", ["speed", "rate", "grit", "direction", "batch"]),
        ("f02_eddy_current_2_3", ["x1", "x2", "x3"]),
        ("f03_process_2_4", ["x1", "x2", "x3", "x4"]),
    ],
)
def test_corners_are_the_published_ones_in_standard_order(case: str, columns: list[str]) -> None:
    # Plans of the NIST/SEMATECH e-Handbook (2^5, 2^3) and of Box, Hunter and Hunter (2^4).
    published = load_case(case).table()[columns].to_numpy(dtype=float)
    np.testing.assert_array_equal(two_level_corners(len(columns)), published)


@given(k=st.integers(1, 6), replicates=st.integers(1, 3), centre=st.integers(0, 5))
def test_every_interaction_is_orthogonal_and_every_factor_balanced(
    k: int, replicates: int, centre: int
) -> None:
    coding = scales(k)
    plan = full_factorial(coding, centre_points=centre, replicates=replicates)
    X = model_matrix(coding, expand_terms(coding, "interactions"), plan.coded)
    gram = X.T @ X
    assert np.abs(gram - np.diag(np.diag(gram))).max() == 0
    assert len(plan) == replicates * 2**k + centre
    assert plan.kind.count(CENTRE) == centre


def test_categories_are_crossed_and_have_centre_points_at_each_level() -> None:
    coding = Coding((CodedFactor("nozzle"), CodedFactor("spool", levels=("a", "b", "c"))))
    plan = full_factorial(coding, centre_points=2)
    assert len(plan) == 2 * 3 + 2 * 3
    rows, counts = np.unique(plan.coded, axis=0, return_counts=True)
    assert len(rows) == 9
    assert counts[rows[:, 0] == 0].tolist() == [2, 2, 2]


def test_categories_alone_have_no_centre() -> None:
    coding = Coding(
        (CodedFactor("spool", levels=("a", "b")), CodedFactor("glue", levels=("x", "y")))
    )
    plan = full_factorial(coding, centre_points=3)
    assert sorted(map(tuple, plan.coded.tolist())) == [(0, 0), (0, 1), (1, 0), (1, 1)]


@pytest.mark.parametrize(
    ("k", "blocks", "lengths"),
    [
        (3, 2, [3]),
        (3, 4, [2, 2, 2]),
        (4, 2, [4]),
        (4, 4, [2, 3, 3]),
        (5, 2, [5]),
        (5, 4, [3, 3, 4]),
        (6, 4, [4, 4, 4]),
        (7, 8, [4] * 7),
    ],
)
def test_interactions_given_up_are_as_long_as_in_the_textbook_table(
    k: int, blocks: int, lengths: list[int]
) -> None:
    # Montgomery, Design and Analysis of Experiments, table of suggested blocking arrangements
    # (from memory): 2^4 in 4 blocks gives up ABC, ACD, BD; 2^5 in 4: ABC, CDE, ABDE; 2^7 in 8: all of 4 letters.
    words = confounded_words(block_words(k, blocks))
    assert [len(w) for w in words] == lengths


@settings(deadline=None)  # the first search for words takes a moment
@given(k=st.integers(2, 6), data=st.data())
def test_blocks_are_equal_and_do_not_touch_main_effects(k: int, data: st.DataObject) -> None:
    blocks = data.draw(st.sampled_from(possible_blocks(k, 1, 2)))
    plan = full_factorial(scales(k), blocks=blocks)
    sizes = np.bincount(plan.block)[1:]
    assert sizes.tolist() == [2**k // blocks] * blocks
    for b in range(1, blocks + 1):
        np.testing.assert_array_equal(plan.coded[plan.block == b].sum(axis=0), 0)


def test_replicates_become_blocks_and_centre_points_are_spread() -> None:
    plan = full_factorial(scales(2), replicates=2, blocks=2, centre_points=4)
    assert plan.notes == ()
    for b in (1, 2):
        part = plan.coded[plan.block == b]
        assert len(part) == 6
        assert (part == 0).all(axis=1).sum() == 2


def test_centre_points_of_every_level_fall_into_every_block() -> None:
    coding = Coding((*scales(3).factors, CodedFactor("spool", levels=("a", "b"))))
    plan = full_factorial(coding, centre_points=2, blocks=2)
    centre = np.array(plan.kind) == CENTRE
    pairs = set(zip(plan.coded[centre, 3].tolist(), plan.block[centre].tolist(), strict=True))
    assert pairs == {(0, 1), (0, 2), (1, 1), (1, 2)}


def test_impossible_blocks_are_refused_with_the_possible_ones() -> None:
    with pytest.raises(DesignError, match=r"3 blocks do not divide 1 x 8 corners.*1, 2, 4 blocks"):
        full_factorial(scales(3), blocks=3)


def test_plans_that_nobody_prints_are_refused() -> None:
    with pytest.raises(DesignError, match="4096 runs"):
        full_factorial(scales(12))
