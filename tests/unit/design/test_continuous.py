"""Continuous designs: analytic optima, recomputed bounds, the equivalence theorem, moments."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import dblquad

from kit.design.basis import polynomial_terms
from kit.design.continuous import ContinuousDesign, continuous_design
from kit.design.moments import region_moments, term_rows
from kit.design.region import Region
from kit.errors import DesignError
from tests.reference.cases import load_case

O01 = load_case("o01_bounds_k1_k2")
CUBES = {k: Region([np.linspace(-1, 1, 21)] * k) for k in range(1, 7)}


def gap_at(best: ContinuousDesign, runs: np.ndarray) -> float:
    """Largest excess in the equivalence theorem at given runs, by the textbook's formula."""
    rows = term_rows(best.region, best.terms, best.points)
    A = np.linalg.inv((rows.T * best.weights) @ rows)
    f = term_rows(best.region, best.terms, runs)
    if best.criterion == "D":
        return np.einsum("ip,pq,iq->i", f, A, f).max() / len(A) - 1
    K = A @ best.moments @ A
    return np.einsum("ip,pq,iq->i", f, K, f).max() / np.trace(A @ best.moments) - 1


# --- values ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("k", [1, 2])
def test_parabola_on_interval_and_square(k):
    terms = polynomial_terms(CUBES[k])
    d, i = (continuous_design(terms, CUBES[k], c, tolerance=1e-8) for c in ("D", "I"))
    O01.check(f"k={k} D-optimal |M(xi*)|", d.information ** len(terms))
    O01.check(f"k={k} D-optimal |M|^(1/p)", d.information)
    O01.check(f"k={k} D-optimal tr(M^-1 A)", d.average_variance)
    O01.check(
        f"k={k} I-optimal tr(M^-1 A) = average variance of the continuous optimum",
        i.average_variance,
    )
    O01.check(f"k={k} I-optimal |M|^(1/p)", i.information)
    for name, best in (("D", d), ("I", i)):
        expected = O01.value(f"k={k} {name}-optimal total weight by number of zero coordinates")
        zeros = (abs(best.points) < 1e-9).sum(axis=1)
        for number, weight in expected.items():
            assert best.weights[zeros == int(number)].sum() == pytest.approx(weight, abs=1e-4)


@pytest.mark.parametrize(
    ("k", "d", "i"),
    # multiplicative algorithm on the 3-level grid in another program, gap below 1e-9
    [
        (3, 0.474478, 5.275410),
        (4, 0.488570, 7.163453),
        (5, 0.506859, 9.232582),
        (6, 0.525992, 11.473245),
    ],
)
def test_bounds_of_three_to_six_factors(k, d, i):
    terms = polynomial_terms(CUBES[k])
    assert continuous_design(terms, CUBES[k], "D").information == pytest.approx(d, rel=2e-6)
    assert continuous_design(terms, CUBES[k], "I").average_variance == pytest.approx(i, rel=2e-6)


@pytest.mark.parametrize("k", [2, 5])
def test_main_effects_by_hand(k):
    """All runs at corners: |M| = 1; average variance 1 + k/3, since E x^2 = 1/3."""
    region = Region([np.linspace(-1, 1, 9)] * k)
    terms = polynomial_terms(region, "main")
    assert continuous_design(terms, region).information == pytest.approx(1.0)
    assert continuous_design(terms, region, "I").average_variance == pytest.approx(1 + k / 3)


def test_cubic_has_the_legendre_points():
    """D-optimal points of a polynomial of degree 3 are +-1, +-1/sqrt(5), equal weights.

    Guest (1958), Ann. Math. Statist. 29, 294-299: the zeros of (1 - x^2) P_3'(x).
    """
    region = Region([np.linspace(-1, 1, 2001)])
    best = continuous_design([(0,), (1,), (2,), (3,)], region)
    inner = abs(best.points[abs(best.points) < 0.9])
    np.testing.assert_allclose(inner, 1 / np.sqrt(5), atol=1e-3)
    ends = abs(best.points[:, 0]) > 0.9
    assert best.weights[ends].sum() == pytest.approx(0.5, abs=1e-4)


def test_parabola_on_a_disc_has_a_sixth_of_its_runs_in_the_middle():
    """D-optimal second-order design on the ball: weight 2 / ((k + 1)(k + 2)) at the centre.

    Kiefer (1961); the value is from memory and follows from symmetry. The grid only nearly has a circle.
    """
    disc = Region([np.linspace(-1, 1, 201)] * 2, allowed=lambda x: (x**2).sum(axis=1) <= 1 + 1e-9)
    best = continuous_design(polynomial_terms(disc), disc, tolerance=1e-4)
    middle = (best.points**2).sum(axis=1) < 0.05
    assert best.weights[middle].sum() == pytest.approx(1 / 6, abs=2e-3)


def test_categories_share_the_runs():
    """Main effects and a category of three levels: a third each, corners, by symmetry."""
    region = Region([[-1, 0, 1], 3])
    best = continuous_design([(0, 0), (1, 0), (0, 1), (0, 2)], region)
    for level in range(3):
        assert best.weights[best.points[:, 1] == level].sum() == pytest.approx(1 / 3, abs=1e-5)


# --- equivalence theorem --------------------------------------------------------------------------


@pytest.mark.parametrize("criterion", ["D", "I"])
@pytest.mark.parametrize("k", [2, 3])
def test_theorem_holds_all_over_a_cut_region(k, criterion):
    A = np.zeros((1, k))
    A[0, :2] = 1.0
    region = Region([np.linspace(-1, 1, 11)] * k, limits=(A, [0.5]))
    best = continuous_design(polynomial_terms(region), region, criterion)
    every = np.stack(np.meshgrid(*region.levels), axis=-1).reshape(-1, k)
    every = every[every[:, :2].sum(axis=1) <= 0.5 + 1e-9]
    assert best.every_point
    assert gap_at(best, every) == pytest.approx(best.gap, abs=1e-9)
    assert best.gap <= 1e-6
    assert best.weights.sum() == pytest.approx(1.0)
    assert (best.points[:, :2].sum(axis=1) <= 0.5 + 1e-9).all()


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_theorem_holds_at_random_points_of_a_large_region(criterion, rng):
    best = continuous_design(polynomial_terms(CUBES[5]), CUBES[5], criterion)
    assert not best.every_point
    assert gap_at(best, rng.uniform(-1, 1, size=(20_000, 5))) <= best.gap + 1e-6


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(6, 15), st.sampled_from(["D", "I"]))
def test_no_exact_design_beats_the_bound(seed, n, criterion):
    terms = polynomial_terms(CUBES[2])
    best = continuous_design(terms, CUBES[2], criterion)
    runs = np.random.default_rng(seed).uniform(-1, 1, size=(n, 2)).round(1)
    assert 0 <= best.efficiency(runs)[criterion == "I"] <= 1 + best.gap


def test_efficiency_is_nothing_where_terms_are_not_estimable():
    best = continuous_design(polynomial_terms(CUBES[2]), CUBES[2])
    assert best.efficiency(np.zeros((8, 2))) == (0.0, 0.0)


# --- moments --------------------------------------------------------------------------------------


def test_moments_of_a_triangle():
    """The lower left half of the square, against numerical integration."""
    region = Region([np.linspace(-1, 1, 21)] * 2, limits=([[1.0, 1.0]], [0.0]))
    terms = polynomial_terms(region)
    W = region_moments(region, terms)
    for a, s in enumerate(terms):
        for b, t in enumerate(terms):
            e, f = s[0] + t[0], s[1] + t[1]
            exact, _ = dblquad(lambda y, x, e=e, f=f: x**e * y**f / 2, -1, 1, -1, lambda x: -x)
            assert W[a, b] == pytest.approx(exact, abs=3e-4)


def test_moments_with_a_category():
    region = Region([[-1, 0, 1], 4])
    W = region_moments(region, [(0, 0), (2, 0), (0, 1), (2, 3)])
    expected = [
        [1, 1 / 3, 1 / 4, 1 / 12],
        [1 / 3, 1 / 5, 1 / 12, 1 / 20],
        [1 / 4, 1 / 12, 1 / 4, 0],
        [1 / 12, 1 / 20, 0, 1 / 20],
    ]
    np.testing.assert_allclose(W, expected)


def test_category_levels_count_alike_though_limits_cut_one_of_them():
    def allowed(runs: np.ndarray) -> np.ndarray:
        return (runs[:, 1] == 0) | (runs[:, 0] <= 0)

    region = Region([np.linspace(-1, 1, 5), 2], allowed=allowed)
    W = region_moments(region, [(0, 0), (0, 1), (1, 0)])
    assert W[0, 1] == pytest.approx(0.5)
    assert W[0, 2] == pytest.approx((0.0 - 0.5) / 2, abs=1e-4)


def test_moments_of_a_line_of_settable_points():
    """So thin that a sequence of points never meets it: the settable points count."""
    region = Region([[-1, 0, 1]] * 2, allowed=lambda x: x[:, 0] == x[:, 1])
    W = region_moments(region, [(0, 0), (1, 0), (0, 1)])
    np.testing.assert_allclose(W, [[1, 0, 0], [0, 2 / 3, 2 / 3], [0, 2 / 3, 2 / 3]])


def test_refusals():
    with pytest.raises(DesignError, match="use D or I"):
        continuous_design([(0,), (1,)], CUBES[1], "A")
    with pytest.raises(DesignError, match="cannot tell 3 terms apart"):
        continuous_design([(0,), (1,), (2,)], Region([[-1, 1]]))
    with pytest.raises(DesignError, match="meets all limits"):
        continuous_design([(0,), (1,)], Region([[-1, 0, 1]], limits=([[1.0]], [-3.0])))
    with pytest.raises(DesignError, match="use main, interactions or second_order"):
        polynomial_terms(CUBES[1], "cubic")
    with pytest.raises(DesignError, match="needs at least 2"):
        Region([1])
    with pytest.raises(DesignError, match="names for 1 factors"):
        Region([[-1, 1]], names=("a", "b"))
    with pytest.raises(DesignError, match="A must be"):
        Region([[-1, 1]], limits=([[1.0, 1.0]], [1.0]))
