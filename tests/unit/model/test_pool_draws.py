"""Possible truths after a few printers: against the same posterior worked out in another way."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from kit.model.pool import CrossProducts, cross_products, fit_pool
from kit.model.pool_draws import draw_pool


def one_way(rng: np.random.Generator, printers: int, n: int, between: float) -> list[np.ndarray]:
    return [10 + rng.normal(0, between) + rng.normal(0, 1.0, n) for _ in range(printers)]


def products(groups: list[np.ndarray]) -> list[CrossProducts]:
    return [cross_products(np.ones((len(y), 1)), y) for y in groups]


def between_quantiles(groups: list[np.ndarray], wanted: list[float]) -> np.ndarray:
    """Give quantiles of the SD between groups from the two mean squares alone, by integrating over both SDs.

    Reference: in a balanced layout SSB / (s2 + n t2) and SSW / s2 are independent chi squares; prior flat in t and in log s.
    """
    n, g = len(groups[0]), len(groups)
    means = np.array([y.mean() for y in groups])
    ssb = n * np.sum((means - means.mean()) ** 2)
    ssw = sum(float(np.sum((y - y.mean()) ** 2)) for y in groups)
    t = np.concatenate([[0.0], np.geomspace(1e-3, 2000, 3000)])
    log_s = np.linspace(
        np.log(np.sqrt(ssw / (g * (n - 1)))) - 2.5, np.log(np.sqrt(ssw / (g * (n - 1)))) + 2.5, 400
    )
    s2 = np.exp(2 * log_s)[None, :]
    whole = s2 + n * t[:, None] ** 2
    log_density = stats.chi2.logpdf(ssb / whole, g - 1) - np.log(whole)
    log_density = log_density + stats.chi2.logpdf(ssw / s2, g * (n - 1)) - np.log(s2)
    density = integrate.trapezoid(np.exp(log_density - log_density.max()), log_s, axis=1)
    below = integrate.cumulative_trapezoid(density, t, initial=0)
    return np.interp(wanted, below / below[-1], t)


@pytest.mark.parametrize("printers", [4, 8])
def test_scatter_between_printers_equals_the_posterior_of_the_mean_squares(printers: int) -> None:
    groups = one_way(np.random.default_rng(3), printers, 9, 1.5)
    found = draw_pool(products(groups), [0], np.random.default_rng(4), draws=20_000)
    wanted = [0.1, 0.25, 0.5, 0.75, 0.9]
    ours = np.quantile(np.sqrt(found.components[:, 0]), wanted)
    assert ours == pytest.approx(between_quantiles(groups, wanted), rel=0.04)


def test_one_ratio_by_grid_and_by_walk_agree() -> None:
    from kit.model.pool import Stacked
    from kit.model.pool_draws import _on_grid, _walk

    data = Stacked(products(one_way(np.random.default_rng(5), 6, 8, 1.0)), [0])
    logs = []
    for way in (_on_grid, _walk):
        found = way(data, np.random.default_rng(6), 6000)
        values = np.repeat([0.5 * np.log(p.ratios[0]) for p, _ in found], [c for _, c in found])
        logs.append(np.quantile(values, [0.1, 0.5, 0.9]))
    assert logs[0] == pytest.approx(logs[1], abs=0.15)


def test_slopes_too_may_differ_between_printers() -> None:
    rng, parts = np.random.default_rng(8), []
    for _ in range(7):
        X = np.column_stack([np.ones(10), np.linspace(-1, 1, 10)])
        parts.append(
            cross_products(
                X, X @ (np.array([3.0, 1.0]) + rng.normal(0, [1.0, 0.5])) + rng.normal(0, 0.3, 10)
            )
        )
    found = draw_pool(parts, [0, 1], np.random.default_rng(9), draws=1500)
    fitted = fit_pool(parts, [0, 1])
    assert found.coefficients.mean(axis=0) == pytest.approx(fitted.coefficients, abs=0.1)
    low, high = np.quantile(found.components, [0.025, 0.975], axis=0)
    assert (low < fitted.components).all()
    assert (fitted.components < high).all()


def test_the_same_seed_gives_the_same_draws_and_scale_is_the_readers() -> None:
    groups = one_way(np.random.default_rng(2), 5, 6, 0.7)
    one, again, scaled = (
        draw_pool(products([k * y for y in groups]), [0], np.random.default_rng(1), draws=200)
        for k in (1, 1, 1000)
    )
    assert (one.components == again.components).all()
    assert scaled.components == pytest.approx(1e6 * one.components, rel=1e-6)
    assert scaled.coefficients == pytest.approx(1e3 * one.coefficients, rel=1e-6)


@pytest.mark.slow
def test_limits_hold_the_true_scatter_between_printers() -> None:
    """The 95 % limits of the SD between four printers hold it at least about that often, over a range of truths."""
    rng, hits = np.random.default_rng(12), []
    for trial in range(300):
        truth = float(rng.uniform(0.3, 2.0))
        groups = one_way(rng, 4, 9, truth)
        found = draw_pool(products(groups), [0], np.random.default_rng(trial), draws=1000)
        low, high = np.quantile(np.sqrt(found.components[:, 0]), [0.025, 0.975])
        hits.append(low <= truth <= high)
    assert np.mean(hits) >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 300)
