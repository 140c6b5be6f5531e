"""Central composites against published axial distances and plans."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.design.composite import (
    axial_distance,
    blocking_distance,
    central_composite,
    orthogonal_distance,
    rotatable_distance,
    spherical_distance,
)
from kit.design.factorial import AXIAL, CENTRE, CORNER
from kit.errors import DesignError
from kit.terms import CodedFactor, Coding, block_columns, expand_terms, model_matrix
from tests.reference.cases import load_case

ALPHA = load_case("t03_ccd_alpha_k2_4")


def scales(k: int) -> Coding:
    return Coding(tuple(CodedFactor(f"x{i}") for i in range(k)))


@pytest.mark.parametrize("k", [2, 3, 4])
def test_axial_distances_are_the_published_ones(k: int) -> None:
    # Box and Hunter 1957; NIST/SEMATECH e-Handbook 5.3.3.6.1.
    F = 2**k
    ALPHA.check(f"k={k} F={F}: rotatable alpha", rotatable_distance(F))
    ALPHA.check(f"k={k} F={F}: rotatable alpha", axial_distance("rotatable", k))
    ALPHA.check(f"k={k} F={F}: orthogonal alpha (1 centre run)", orthogonal_distance(k, F, 1))
    ALPHA.check(f"k={k} F={F}: spherical alpha", spherical_distance(k))


@pytest.mark.parametrize(
    ("k", "factorial", "axial", "nc0", "na0"),
    [
        (2, "1 factorial blocks of 4+3 centre", "4+3", 3, 3),
        (3, "2 factorial blocks of 4+2 centre", "6+2", 4, 2),
        (4, "2 factorial blocks of 8+2 centre", "8+2", 4, 2),
    ],
)
def test_orthogonally_blocking_distances_are_the_published_ones(
    k: int, factorial: str, axial: str, nc0: int, na0: int
) -> None:
    name = f"k={k} F={2**k}: orthogonally blocking alpha ({factorial}, axial block {axial} centre)"
    ALPHA.check(name, blocking_distance(k, 2**k, nc0, na0))


def as_rows(coded: np.ndarray) -> Counter[tuple[float, ...]]:
    return Counter(map(tuple, (np.round(coded, 3) + 0.0).tolist()))


def test_rotatable_plan_is_the_published_one() -> None:
    # Montgomery, Design and Analysis of Experiments: chemical process, 4 corners, 4 axial, 5 centre points.
    published = load_case("r01_chemical_ccd_yield").table()[["x1", "x2"]].to_numpy()
    plan = central_composite(scales(2), axial="rotatable", centre_points=5)
    assert as_rows(plan.coded) == as_rows(published)


def test_blocked_plan_is_the_published_one() -> None:
    # Box and Draper: ridge example in two blocks, corners first, axial points second.
    table = load_case("r02_yield_ridge_ccd").table()
    centre = int(((table["x1"] == 0) & (table["x2"] == 0)).sum())
    plan = central_composite(scales(2), axial=1.414, centre_points=centre, blocks=2)
    counts = Counter(
        zip(map(tuple, plan.coded.round(3).tolist()), plan.block.tolist(), strict=True)
    )
    published = Counter(
        ((x1, x2), b) for x1, x2, b in table[["x1", "x2", "block"]].itertuples(index=False)
    )
    corners_and_stars = {key for key in published if key[0] != (0.0, 0.0)}
    assert {key for key in counts if key[0] != (0.0, 0.0)} == corners_and_stars


@pytest.mark.parametrize(("k", "blocks", "centre"), [(2, 2, 6), (3, 3, 6), (4, 3, 6)])
def test_blocks_are_orthogonal_at_the_blocking_distance(k: int, blocks: int, centre: int) -> None:
    each = centre // blocks
    distance = blocking_distance(k, 2**k, each * (blocks - 1), each)
    plan = central_composite(scales(k), axial=distance, centre_points=centre, blocks=blocks)
    coding = scales(k)
    X = model_matrix(coding, expand_terms(coding, "second_order")[1:], plan.coded)
    # Orthogonal blocking: the mean of every column is the same in every block.
    for b in range(1, blocks + 1):
        np.testing.assert_allclose(X[plan.block == b].mean(axis=0), X.mean(axis=0), atol=1e-12)
    assert not any("would not touch" in note for note in plan.notes)
    face = central_composite(scales(k), axial="face", centre_points=centre, blocks=blocks)
    assert any(f"{distance:.3f}" in note for note in face.notes)


@given(k=st.integers(2, 5), axial=st.floats(0.5, 3), centre=st.integers(1, 5))
def test_parts_and_rank(k: int, axial: float, centre: int) -> None:
    coding = scales(k)
    plan = central_composite(coding, axial=axial, centre_points=centre)
    assert Counter(plan.kind) == {CORNER: 2**k, AXIAL: 2 * k, CENTRE: centre}
    X = model_matrix(coding, expand_terms(coding, "second_order"), plan.coded)
    assert np.linalg.matrix_rank(X) == X.shape[1]


def test_rotatable_means_equal_variance_on_spheres(rng: np.random.Generator) -> None:
    coding = scales(3)
    plan = central_composite(coding, axial="rotatable", centre_points=4)
    terms = expand_terms(coding, "second_order")
    X = model_matrix(coding, terms, plan.coded)
    directions = rng.normal(size=(50, 3))
    points = 0.9 * directions / np.linalg.norm(directions, axis=1, keepdims=True)
    x = model_matrix(coding, terms, points)
    variance = np.einsum("ij,jk,ik->i", x, np.linalg.inv(X.T @ X), x)
    np.testing.assert_allclose(variance, variance[0], rtol=1e-9)


def test_categories_are_crossed() -> None:
    coding = Coding((*scales(2).factors, CodedFactor("spool", levels=("white", "pink"))))
    plan = central_composite(coding, centre_points=2, blocks=3)
    for level in (0, 1):
        assert (plan.coded[:, 2] == level).sum() == 4 + 4 + 2
    # Two factors and a two-level category: the three-factor interaction makes two factorial blocks.
    X = model_matrix(coding, expand_terms(coding, "second_order"), plan.coded)
    _, blocks = block_columns(plan.block.tolist())
    both = np.column_stack([X, blocks])
    assert np.linalg.matrix_rank(both) == both.shape[1]


def test_replicates_become_blocks() -> None:
    plan = central_composite(scales(2), replicates=2, centre_points=4, blocks=2)
    assert as_rows(plan.coded[plan.block == 1]) == as_rows(plan.coded[plan.block == 2])


def test_two_factor_terms_are_never_given_up_to_blocks() -> None:
    with pytest.raises(DesignError, match="possible here: 1, 2 blocks"):
        central_composite(scales(2), blocks=3)


@pytest.mark.parametrize("axial", [0.0, -1.0, 9.0])
def test_senseless_distances_are_refused(axial: float) -> None:
    with pytest.raises(DesignError, match="is not a distance"):
        axial_distance(axial, 2)


def test_categories_alone_have_no_composite() -> None:
    coding = Coding((CodedFactor("spool", levels=("white", "pink")),))
    with pytest.raises(DesignError, match="needs a factor on a scale"):
        central_composite(coding)
