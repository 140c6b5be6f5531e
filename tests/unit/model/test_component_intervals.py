"""Intervals of variance components against mean squares and direct simulation of the pivot."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from kit.model.component_intervals import component_intervals
from kit.model.reml import fit_reml


def quantiles_of(draws: np.ndarray) -> np.ndarray:
    return np.quantile(np.maximum(draws, 0), [0.025, 0.975])


@pytest.mark.parametrize(("a", "m"), [(3, 4), (6, 4), (8, 2)])
def test_balanced_one_way(a: int, m: int, rng: np.random.Generator) -> None:
    y = 2 * rng.normal(size=(a, 1)) + rng.normal(size=(a, m))
    group = np.repeat(np.arange(a), m)
    found = component_intervals(fit_reml(y.ravel(), np.ones((a * m, 1)), [group]))
    f, rss = a * (m - 1), ((y - y.mean(axis=1, keepdims=True)) ** 2).sum()
    ssb = m * (a - 1) * y.mean(axis=1).var(ddof=1)
    np.testing.assert_allclose(
        [found.low[1], found.high[1]], rss / stats.chi2.ppf([0.975, 0.025], f), rtol=1e-9
    )
    # Weerahandi (1993): the same pivot written with the two mean squares, simulated.
    draws = (ssb / rng.chisquare(a - 1, 400_000) - rss / rng.chisquare(f, 400_000)) / m
    np.testing.assert_allclose([found.low[0], found.high[0]], quantiles_of(draws), rtol=0.03)
    assert list(found.df) == [a - 1, f]


def test_outer_factor_of_a_balanced_nested_layout() -> None:
    # 5 days of 2 plates of 4 prints: days are judged by plates, on 5 df, plates by prints on 30.
    rng = np.random.default_rng(1)
    y = 1.5 * rng.normal(size=(5, 1, 1)) + rng.normal(size=(5, 2, 1)) + rng.normal(size=(5, 2, 4))
    day, plate = np.repeat(np.arange(5), 8), np.repeat(np.arange(10), 4)
    fit = fit_reml(y.ravel(), np.ones((40, 1)), [day, plate])
    assert not fit.at_zero.any()
    found = component_intervals(fit)
    ss_day = 8 * 4 * y.mean(axis=(1, 2)).var(ddof=1)
    ss_plate = 4 * y.mean(axis=2).var(axis=1, ddof=1).sum()
    ss = 3 * y.var(axis=2, ddof=1).sum()
    N = 400_000
    days = (ss_day / rng.chisquare(4, N) - ss_plate / rng.chisquare(5, N)) / 8
    plates = (ss_plate / rng.chisquare(5, N) - ss / rng.chisquare(30, N)) / 4
    assert quantiles_of(days)[0] > 0
    np.testing.assert_allclose([found.low[0], found.high[0]], quantiles_of(days), rtol=0.03)
    np.testing.assert_allclose([found.low[1], found.high[1]], quantiles_of(plates), rtol=0.03)


@given(seed=st.integers(0, 10**6), ratio=st.sampled_from([0.0, 0.3, 1.0]))
@settings(max_examples=40, deadline=None)
def test_unbalanced_lower_limit_is_zero_exactly_when_the_f_test_says_so(
    seed: int, ratio: float
) -> None:
    # Wald (1947): the pivot at zero is the analysis-of-variance F, exact when sizes differ.
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(5), [2, 6, 3, 1, 4])
    y = rng.normal(size=16) + np.sqrt(ratio) * rng.normal(size=5)[group]
    p = stats.f_oneway(*[y[group == g] for g in range(5)]).pvalue
    found = component_intervals(fit_reml(y, np.ones((16, 1)), [group]))
    if abs(p - 0.025) > 1e-4 and abs(p - 0.975) > 1e-4:
        assert (found.low[0] == 0) == (p > 0.025)
        assert (found.high[0] == 0) == (p > 0.975)


@given(seed=st.integers(0, 10**6), c=st.sampled_from([1e-3, 7.0]))
@settings(max_examples=20, deadline=None)
def test_limits_scale_and_widen(seed: int, c: float) -> None:
    rng = np.random.default_rng(seed)
    printer, spool = rng.integers(0, 3, 24), rng.integers(0, 4, 24)
    y = rng.normal(size=24) + rng.normal(size=3)[printer] + rng.normal(size=4)[spool]
    X = np.column_stack([np.ones(24), rng.normal(size=24)])
    found = component_intervals(fit_reml(y, X, [printer, spool]))
    scaled = component_intervals(fit_reml(c * y, X, [printer, spool]))
    wide = component_intervals(fit_reml(y, X, [printer, spool]), confidence=0.99)
    np.testing.assert_allclose(scaled.high, c**2 * found.high, rtol=1e-6)
    np.testing.assert_allclose(scaled.low, c**2 * found.low, rtol=1e-6, atol=1e-9 * c**2)
    assert (wide.low <= found.low).all()
    assert (wide.high >= found.high).all()
    free = [len(np.unique(g)) - 1 for g in (printer, spool)]  # a group may not be drawn at all
    assert list(found.df) == [*free, 24 - 2 - sum(free)]


def test_confidence_is_a_fraction(rng: np.random.Generator) -> None:
    fit = fit_reml(rng.normal(size=9), np.ones((9, 1)), [np.repeat([0, 1, 2], 3)])
    with pytest.raises(ValueError, match="write 95 %"):
        component_intervals(fit, confidence=95)


@pytest.mark.slow
@pytest.mark.parametrize("variances", [(0.0, 1.0), (1.0, 0.0), (1.0, 1.0), (4.0, 1.0), (0.3, 2.0)])
def test_unbalanced_nested_intervals_cover(
    variances: tuple[float, float], rng: np.random.Generator
) -> None:
    # The outer factor's interval is an approximation here; 5 days, 12 plates, 26 prints.
    plate = np.repeat(np.arange(12), [3, 1, 2, 2, 4, 1, 3, 2, 2, 3, 2, 1])
    day = np.array([0, 0, 0, 1, 1, 2, 2, 3, 3, 3, 4, 4])[plate]
    truth, repeats = np.array([*variances, 1.0]), 400
    inside = np.zeros(3)
    for _ in range(repeats):
        days, plates = rng.normal(size=5)[day], rng.normal(size=12)[plate]
        y = np.sqrt(variances[0]) * days + np.sqrt(variances[1]) * plates + rng.normal(size=26)
        found = component_intervals(fit_reml(y, np.ones((26, 1)), [day, plate]))
        inside += (found.low <= truth) & (truth <= found.high)
    # 95 % less three standard errors of 400 repeats.
    assert (inside / repeats > 0.917).all()
