"""Intervals and future observations: textbook cases in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from kit.model.kenward_roger import kenward_roger, satterthwaite
from kit.model.reml import fit_reml
from kit.model.small_sample import contrast_df, contrasts, future_variance


def one_way(rng: np.random.Generator, a: int, m: int) -> np.ndarray:
    return 10 + rng.normal(size=(a, m)) + 2 * rng.normal(size=(a, 1))


def test_intervals_are_students(rng: np.random.Generator) -> None:
    y = one_way(rng, 5, 4)
    model = kenward_roger(fit_reml(y.ravel(), np.ones((20, 1)), [np.repeat(np.arange(5), 4)]))
    found = contrasts(model, [[1.0], [-2.0]], confidence=0.9)
    # A balanced mean is a t interval on the group means.
    means = y.mean(axis=1)
    expected = stats.t.interval(0.9, 4, means.mean(), stats.sem(means))
    np.testing.assert_allclose([found.low[0], found.high[0]], expected, rtol=1e-9)
    np.testing.assert_allclose([found.high[1], found.low[1]], -2 * np.array(expected), rtol=1e-9)
    p = stats.ttest_1samp(means, 0).pvalue
    np.testing.assert_allclose(found.p, [p, p], rtol=1e-7)


def test_many_rows_at_once_are_the_rows_one_by_one(rng: np.random.Generator) -> None:
    X = np.column_stack([np.ones(24), rng.normal(size=(24, 3))])
    plot = rng.integers(0, 6, 24)
    model = kenward_roger(fit_reml(rng.normal(size=24) + plot, X, [plot]))
    L = rng.normal(size=(200, 4))
    together, future = contrasts(model, L), future_variance(model, L)
    for i in (0, 57, 199):
        alone, one = contrasts(model, L[i]), future_variance(model, L[i])
        np.testing.assert_allclose(
            [together.std_error[i], together.df[i], future.variance[i], future.df[i]],
            [alone.std_error[0], alone.df[0], one.variance[0], one.df[0]],
            rtol=1e-12,
        )


def test_future_observation_of_a_balanced_one_way_layout(rng: np.random.Generator) -> None:
    a, m = 6, 4
    y = one_way(rng, a, m)
    between, within = m * y.mean(axis=1).var(ddof=1), y.var(axis=1, ddof=1).mean()
    model = kenward_roger(fit_reml(y.ravel(), np.ones((a * m, 1)), [np.repeat(np.arange(a), m)]))
    found = future_variance(model, [1.0])
    # Satterthwaite (1946) on the mean squares: variance of grand mean + new group + new run.
    parts = np.array([between * (1 / (a * m) + 1 / m), within * (1 - 1 / m)])
    df = parts.sum() ** 2 / (parts**2 / [a - 1, a * (m - 1)]).sum()
    np.testing.assert_allclose([found.variance[0], found.df[0]], [parts.sum(), df], rtol=1e-7)
    # Mean of m runs in one new group: all of it rests on the group means.
    mean = future_variance(model, [1.0], shares=[1, 1 / m])
    np.testing.assert_allclose(
        [mean.variance[0], mean.df[0]], [between * (1 / (a * m) + 1 / m), a - 1], rtol=1e-7
    )


def test_future_observation_without_random_factors(rng: np.random.Generator) -> None:
    X = np.column_stack([np.ones(12), rng.normal(size=(12, 2))])
    fit = fit_reml(rng.normal(size=12), X)
    x = np.array([1, 0.3, -0.7])
    leverage = x @ np.linalg.inv(X.T @ X) @ x
    for model in (kenward_roger(fit), satterthwaite(fit)):
        found = future_variance(model, x)
        np.testing.assert_allclose(found.variance, fit.components[0] * (1 + leverage), rtol=1e-9)
        np.testing.assert_allclose(found.df, 9, rtol=1e-9)
        np.testing.assert_allclose(
            future_variance(model, x, shares=[0]).df, contrast_df(model, x), rtol=1e-12
        )


@pytest.mark.parametrize("shares", [[1], [1, -0.1], [1, np.nan], [[1, 1]]])
def test_bad_shares_are_refused(shares: list[float], rng: np.random.Generator) -> None:
    y = one_way(rng, 3, 3).ravel()
    model = kenward_roger(fit_reml(y, np.ones((9, 1)), [np.repeat([0, 1, 2], 3)]))
    with pytest.raises(ValueError, match="2 numbers >= 0"):
        future_variance(model, [1.0], shares=shares)
