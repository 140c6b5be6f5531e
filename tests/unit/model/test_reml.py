"""Variance components by REML: published cases, exact strata, direct likelihood, bad input."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from kit.model.reduction import checked_data, reduce_data
from kit.model.reml import Reml, covariance_of_y, fit_reml
from tests.unit.model.mixed_cases import MixedCase, all_cases, case_id

seeds = st.integers(0, 2**32 - 1)


def restricted_deviance(components: np.ndarray, fit: Reml) -> float:
    """Minus twice the restricted log-likelihood, straight from its definition (Harville 1977)."""
    V, X = covariance_of_y(components, fit.groups), fit.X
    V_inverse = np.linalg.inv(V)
    M = X.T @ V_inverse @ X
    r = fit.y - X @ np.linalg.solve(M, X.T @ V_inverse @ fit.y)
    determinants = np.linalg.slogdet(V)[1] + np.linalg.slogdet(M)[1]
    return determinants + r @ V_inverse @ r + (len(r) - X.shape[1]) * np.log(2 * np.pi)


def random_design(seed: int, factors: int) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    """Unbalanced data with random groups, nested or crossed, and ratios from 0 to 1000."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(8, 30))
    groups = [rng.integers(0, rng.integers(2, n // 2), n) for _ in range(factors)]
    if factors == 2 and rng.random() < 0.5:
        groups[1] = 3 * groups[0] + rng.integers(0, 3, n)
    X = np.column_stack([np.ones(n), rng.choice([-1.0, 0.0, 1.0], (n, 2))])
    y = 20 + rng.normal(size=n)
    for g in groups:
        y += np.sqrt(rng.choice([0, 0.5, 5, 1000])) * rng.normal(size=100)[g]
    return y, X, groups


def fit_or_none(y: np.ndarray, X: np.ndarray, groups: list[np.ndarray]) -> Reml | None:
    try:
        return fit_reml(y, X, groups)
    except ValueError:  # a random design may well be refused
        return None


@pytest.mark.parametrize("mixed", all_cases(), ids=case_id)
def test_published_cases(mixed: MixedCase) -> None:
    fit = fit_reml(mixed.y, mixed.X, mixed.groups)
    assert fit.converged
    mixed.check("reml_variance_components", fit.components)
    mixed.check("reml_criterion", fit.criterion)
    mixed.check("fixed_effects", fit.coefficients)
    mixed.check("se_fixed_naive", np.sqrt(np.diag(fit.covariance)))


@given(seed=seeds, a=st.integers(2, 6), m=st.integers(2, 5), ratio=st.sampled_from([0, 0.3, 10]))
@settings(max_examples=40, deadline=None)
def test_balanced_one_way_is_the_analysis_of_variance(
    seed: int, a: int, m: int, ratio: float
) -> None:
    rng = np.random.default_rng(seed)
    y = rng.normal(size=(a, m)) + np.sqrt(ratio) * rng.normal(size=(a, 1))
    between = m * y.mean(axis=1).var(ddof=1)
    within = y.var(axis=1, ddof=1).mean()
    fit = fit_reml(y.ravel(), np.ones((a * m, 1)), [np.repeat(np.arange(a), m)])
    negative = between <= within
    expected = [0.0, y.var(ddof=1)] if negative else [(between - within) / m, within]
    np.testing.assert_allclose(fit.components, expected, rtol=1e-7, atol=1e-9)
    assert list(fit.at_zero) == [negative, False]


def test_balanced_split_plot_strata(rng: np.random.Generator) -> None:
    # 6 whole plots of 4 runs: whole-plot factor a, sub-plot factor b with its interaction.
    a, b = np.repeat([-1, 1, -1, 1, -1, 1.0], 4), np.tile([-1, -1, 1, 1.0], 6)
    plot = np.repeat(np.arange(6), 4)
    y = 3 * rng.normal(size=6)[plot] + rng.normal(size=24)
    fit = fit_reml(y, np.column_stack([np.ones(24), a, b, a * b]), [plot])
    means = y.reshape(6, 4).mean(axis=1)
    whole = 4 * sum(means[a[::4] == s].var(ddof=0) * 3 for s in (-1, 1)) / 4
    within = y - means[plot]
    sub = ((within - b * (within @ b) / 24 - a * b * (within @ (a * b)) / 24) ** 2).sum() / 16
    np.testing.assert_allclose(fit.components, [(whole - sub) / 4, sub], rtol=1e-9)


def test_without_random_factors_it_is_least_squares(rng: np.random.Generator) -> None:
    X, y = np.column_stack([np.ones(12), rng.normal(size=(12, 3))]), rng.normal(size=12)
    fit = fit_reml(y, X)
    b, rss = np.linalg.lstsq(X, y)[:2]
    s2 = rss[0] / 8
    np.testing.assert_allclose(fit.coefficients, b, rtol=1e-12)
    np.testing.assert_allclose(fit.components, [s2], rtol=1e-12)
    np.testing.assert_allclose(fit.covariance, s2 * np.linalg.inv(X.T @ X), rtol=1e-10)
    np.testing.assert_allclose(fit.information, [[8 / (2 * s2**2)]], rtol=1e-10)


@given(seed=seeds, factors=st.integers(1, 2))
@settings(max_examples=60, deadline=None)
def test_no_point_near_or_far_is_more_likely(seed: int, factors: int) -> None:
    fit = fit_or_none(*random_design(seed, factors))
    if fit is None:
        return
    assert fit.converged
    assert (fit.components >= 0).all()
    np.testing.assert_allclose(
        restricted_deviance(fit.components, fit), fit.criterion, rtol=1e-8, atol=1e-6
    )
    rng = np.random.default_rng(seed)
    for spread in (0.01, 0.3, 3):
        shift = np.exp(spread * rng.normal(size=(15, factors + 1)))
        for other in (fit.components + 1e-3 * fit.components[-1] * fit.at_zero) * shift:
            assert restricted_deviance(other, fit) > fit.criterion - 1e-6


# Seed 94 has a second, lower maximum, where a climb from equal large ratios ends.
@pytest.mark.parametrize(("seed", "factors"), [*((i, 1 + i % 2) for i in range(12)), (94, 2)])
def test_agrees_with_a_general_optimiser(seed: int, factors: int) -> None:
    fit = fit_or_none(*random_design(seed, factors))
    assert fit is not None
    floor = np.log(fit.components[-1])
    starts = [np.r_[np.full(len(fit.components) - 1, floor + s), floor] for s in (-3, 0, 4)]
    best = min(
        optimize.minimize(
            lambda log: restricted_deviance(np.exp(log), fit),
            start,
            method="L-BFGS-B",
            bounds=[(floor - 14, floor + 14)] * len(start),
        ).fun
        for start in starts
    )
    assert fit.criterion < best + 1e-5


@pytest.mark.parametrize("mixed", all_cases(), ids=case_id)
def test_information_is_the_curvature_of_the_likelihood(mixed: MixedCase) -> None:
    fit = fit_reml(mixed.y, mixed.X, mixed.groups)
    V_inverse = np.linalg.inv(fit.V)
    P = V_inverse - V_inverse @ fit.X @ fit.covariance @ fit.X.T @ V_inverse
    parts = [P @ (g[:, None] == g) for g in fit.groups] + [P]
    expected = [[0.5 * np.trace(a @ b) for b in parts] for a in parts]
    np.testing.assert_allclose(fit.information, expected, rtol=1e-6)
    h = np.diag(1e-3 * fit.components)
    D = lambda *d: restricted_deviance(fit.components + sum(d), fit)  # noqa: E731
    observed = [
        [(D(a, b) - D(a, -b) - D(-a, b) + D(-a, -b)) / (8 * a.sum() * b.sum()) for b in h]
        for a in h
    ]
    scale = np.sqrt(np.outer(np.diag(observed), np.diag(observed)))
    np.testing.assert_allclose(fit.observed_information / scale, observed / scale, atol=1e-4)


def test_a_zero_component_stays_in_the_model() -> None:
    y = np.array([1.0, 2.0, 3.0, 3.0, 2.0, 1.0, 1.0, 3.0, 2.0])  # equal group means
    fit = fit_reml(y, np.ones((9, 1)), [np.repeat([0, 1, 2], 3)])
    assert fit.converged
    assert list(fit.at_zero) == [True, False]
    assert fit.components[0] == 0
    # Information at zero: group stratum 2 df, within 6 df (textbook variances of mean squares).
    s2 = fit.components[1]
    W = np.linalg.inv(fit.information)
    np.testing.assert_allclose(W[1, 1], 2 * s2**2 / 6, rtol=1e-9)
    np.testing.assert_allclose(W[0, 0], 2 * s2**2 * (1 / 2 + 1 / 6) / 9, rtol=1e-9)


@given(seed=seeds, factors=st.integers(1, 2), c=st.sampled_from([1e-4, 0.5, 1e5]))
@settings(max_examples=30, deadline=None)
def test_order_labels_coding_and_units_change_nothing(seed: int, factors: int, c: float) -> None:
    y, X, groups = random_design(seed, factors)
    fit = fit_or_none(y, X, groups)
    if fit is None:
        return
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(y))
    names = rng.permutation(1000) - 500
    recoded = X @ np.array([[1, 0.2, 0], [0, 2, 0.3], [0, 0, -1.5]])
    other = fit_reml(c * y[order], recoded[order], [names[g[order]] for g in groups])
    atol = 1e-6 * fit.components.max() * c**2
    np.testing.assert_allclose(other.components, c**2 * fit.components, rtol=1e-5, atol=atol)
    np.testing.assert_allclose(
        recoded[order] @ other.coefficients, c * (X @ fit.coefficients)[order], rtol=1e-5
    )


@pytest.mark.parametrize("ratio", [1e-8, 1e4, 1e7])
def test_extreme_ratios_converge(ratio: float, rng: np.random.Generator) -> None:
    group = np.repeat(np.arange(5), [2, 5, 3, 4, 1])
    y = 1e3 + rng.normal(size=15) + np.sqrt(ratio) * rng.normal(size=5)[group]
    fit = fit_reml(y, np.ones((15, 1)), [group])
    assert fit.converged
    assert 0.2 < fit.components[1] < 3


def test_residual_space_is_exact(rng: np.random.Generator) -> None:
    y, X, groups = rng.normal(size=20), np.ones((20, 1)), rng.integers(0, 5, (1, 20))
    reduced = reduce_data(*checked_data(y, X, groups))
    full = np.column_stack([X, np.eye(5)[groups[0]]])
    rss = np.linalg.norm(y - full @ np.linalg.lstsq(full, y)[0]) ** 2
    np.testing.assert_allclose(reduced.residual_ss, rss, rtol=1e-12)
    assert reduced.residual_df == 15
    np.testing.assert_allclose(reduced.total_ss, 19 * y.var(ddof=1), rtol=1e-12)


ONE, PAIRS = np.ones((6, 1)), np.array([0, 0, 1, 1, 2, 2])
Y = np.array([1.0, 2.0, 4.0, 3.0, 5.0, 7.0])


@pytest.mark.parametrize(
    ("y", "X", "groups", "says"),
    [
        (Y[:5], ONE, [PAIRS], "same n"),
        (np.r_[Y[:5], np.nan], ONE, [PAIRS], "rows 5"),
        (Y, np.c_[ONE, [np.inf, 0, 0, 0, 0, 0]], [PAIRS], "rows 0"),
        (Y, np.c_[ONE, Y, 2 * Y - 3, np.zeros(6)], [PAIRS], "columns 2, 3 of X"),
        (Y, np.zeros((6, 0)), [PAIRS], "no columns"),
        (Y, np.eye(6), [], "no degrees of freedom"),
        (Y, np.c_[np.eye(6), Y], [], "columns 6 of X"),
        (Y, ONE, [np.arange(6)], "confounded with the residual"),
        (Y, ONE, [np.zeros(6, dtype=int)], "one group only"),
        (Y, ONE, [PAIRS[:4]], r"shape \(6,\)"),
        (Y, np.c_[ONE, PAIRS == 1, PAIRS == 2], [PAIRS], "wholly explained by X"),
        (Y, ONE, [PAIRS, 5 - PAIRS], "random factors 0, 1 .* cannot be told apart"),
        (Y, ONE, [[0, 0, 1, 1, 2, 3], [0, 1, 1, 2, 2, 2]], "for the residual"),
        (np.array([1, 1, 3, 3, 7, 7.0]), ONE, [PAIRS], "agree exactly"),
        (np.full(6, 20.1), ONE, [PAIRS], "agree exactly"),
    ],
)
def test_bad_input_is_refused_in_words(
    y: np.ndarray, X: np.ndarray, groups: list[np.ndarray], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        fit_reml(y, X, groups)


def test_labels_must_be_integers() -> None:
    with pytest.raises(TypeError, match="integer labels"):
        fit_reml(Y, ONE, [PAIRS + 0.5])
