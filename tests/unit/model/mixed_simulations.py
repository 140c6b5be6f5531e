"""Size, power and coverage of mixed-model inference by simulation.

``python -m tests.unit.model.mixed_simulations`` writes the table beside this file with 4000
repeats a row; the tests hold the table to stated limits and, slowly, repeat it with fewer.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from kit.model.component_intervals import component_intervals
from kit.model.kenward_roger import f_test, kenward_roger
from kit.model.reml import Reml, fit_reml
from kit.model.small_sample import SmallSample, contrasts, future_variance

TABLE = Path(__file__).with_suffix(".csv")
# Prints in each whole plot and the setting of the factor that is hard to change.
PLOTS = {
    "6 plots of 4 straight": ([4] * 6, [-1, 1, -1, 1, -1, 1]),
    "8 plots of 3 second order": ([3] * 8, [-1, -1, -1, 0, 0, 1, 1, 1]),
    "7 unequal plots second order": ([5, 2, 4, 2, 4, 3, 4], [-1, -1, 0, 0, 1, 1, 1]),
}
RATIOS = (0.0, 0.5, 2.0, 8.0)
# At these settings means and future prints are judged.
SETTINGS = np.array([[0.3, 1, 0], [-0.5, 1, 0], [1, -1, 0.5]])
EFFECT = 2.5  # of the whole-plot factor, in residual SD, where power is measured


def model_matrix(name: str, settings: np.ndarray) -> np.ndarray:
    a, b, c = settings.T
    columns = [np.ones(len(a)), a, b, c, a * b, a * c]
    if "second" in name:
        columns += [b * c, a * a, b * b, c * c]
    return np.column_stack(columns)


def design(name: str) -> tuple[np.ndarray, np.ndarray]:
    sizes, a = PLOTS[name]
    plot = np.repeat(np.arange(len(sizes)), sizes)
    rng = np.random.default_rng(5)
    if "second" in name:
        inner = rng.choice([-1.0, 0.0, 1.0], (len(plot), 2))
    else:
        inner = np.tile([[-1.0, -1.0], [1, -1], [-1, 1], [1, 1]], (len(sizes), 1))
    return model_matrix(name, np.column_stack([np.array(a, dtype=float)[plot], inner])), plot


def judge(
    fit: Reml, model: SmallSample, at: np.ndarray, ratio: float, rng: np.random.Generator
) -> Iterator[tuple[str, float]]:
    """Say of one fit to pure noise what came out right, as shares of 1."""
    p = fit.X.shape[1]
    whole = [1, 7] if p > 7 else [1]
    found = contrasts(model, np.eye(p))
    inside = (found.low < 0) & (found.high > 0)
    yield "whole-plot effects", inside[whole].mean()
    yield "other effects", np.delete(inside, [0, *whole]).mean()
    means = contrasts(model, at)
    yield "all effects", inside[1:].mean()
    yield "means at settings", ((means.low < 0) & (means.high > 0)).mean()
    future = future_variance(model, at)
    miss = rng.normal(size=len(at)) * np.sqrt(1 + ratio) - means.estimate
    limit = stats.t.ppf(0.975, future.df) * np.sqrt(future.variance)
    yield "future print in a new plot", (np.abs(miss) < limit).mean()
    limits = component_intervals(fit)
    yield "component of plots", float(limits.low[0] <= ratio <= limits.high[0])
    yield "component of prints", float(limits.low[1] <= 1 <= limits.high[1])


def reject(fit: Reml, model: SmallSample) -> Iterator[tuple[str, float]]:
    """Say which 5 % tests of the whole-plot factor reject."""
    p = fit.X.shape[1]
    yield "Kenward-Roger", float(f_test(model, np.eye(p)[1]).p < 0.05)
    z = fit.coefficients[1] / np.sqrt(fit.covariance[1, 1])
    yield "normal limits", float(abs(z) > stats.norm.ppf(0.975))
    plain = kenward_roger(fit_reml(fit.y, fit.X))
    yield "least squares without plots", float(f_test(plain, np.eye(p)[1]).p < 0.05)


def simulate(name: str, ratio: float, repeats: int, seed: int = 1) -> pd.DataFrame:
    """Fit pure noise, and noise with a whole-plot effect, and count.

    Returns columns design, ratio (of variances, plot to print), kind, quantity, found, expected.
    """
    rng = np.random.default_rng(seed)
    X, plot = design(name)
    at = model_matrix(name, SETTINGS)
    rows = []
    for _ in range(repeats):
        noise = rng.normal(size=len(plot)) + np.sqrt(ratio) * rng.normal(size=9)[plot]
        fit = fit_reml(noise, X, [plot])
        assert fit.converged
        model = kenward_roger(fit)
        rows += [("coverage", what, hit, 0.95) for what, hit in judge(fit, model, at, ratio, rng)]
        rows += [("size", what, hit, 0.05) for what, hit in reject(fit, model)]
        rows.append(("share", "component of plots at zero", float(fit.at_zero[0]), np.nan))
        if "straight" in name:
            other = fit_reml(noise + EFFECT / 2 * X[:, 1], X, [plot])
            power = exact_power(X, ratio)
            rows += [
                ("power", *row, power) for row in list(reject(other, kenward_roger(other)))[:1]
            ]
    table = pd.DataFrame(rows, columns=["kind", "quantity", "found", "expected"])
    table = table.groupby(["kind", "quantity"], sort=False, as_index=False).mean().round(4)
    table.insert(0, "design", name)
    table.insert(1, "ratio", ratio)
    return table


def exact_power(X: np.ndarray, ratio: float) -> float:
    """Power of the t test on the means of 6 plots of 4, from the noncentral F."""
    noncentrality = (EFFECT / 2) ** 2 * 24 / (1 + 4 * ratio)
    return float(stats.ncf.sf(stats.f.ppf(0.95, 1, 4), 1, 4, noncentrality))


def main(repeats: int) -> None:
    parts = [simulate(name, ratio, repeats) for name in PLOTS for ratio in RATIOS]
    pd.concat(parts).to_csv(TABLE, index=False)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4000)
