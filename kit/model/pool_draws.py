"""What the prints of some printers leave open: possible surfaces and possible scatter between printers, drawn with a seed.

With few printers the standard deviation between them is hardly known, and that, not the surface, is what makes the chance on a
new printer doubtful.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kit.model.pool import CrossProducts, Point, Stacked
from kit.terms import FloatArray

DRAWS = 2000
CELLS = 400
"""Places at which the ratio of the two standard deviations is looked at."""
BURN_IN, STEP = 300, 0.8


@dataclass(frozen=True)
class PoolDraws:
    """Possible truths, equally likely after these prints.

    Attributes
    ----------
    coefficients : array, shape (draws, p)
        Surface of the average printer.
    components : array, shape (draws, k + 1)
        Variances of the printers' own coefficients, then of prints on one printer.
    random : tuple of int
        Columns whose coefficient differs between printers.
    """

    coefficients: FloatArray
    components: FloatArray
    random: tuple[int, ...]


def draw_pool(
    printers: Sequence[CrossProducts],
    random: Sequence[int],
    rng: np.random.Generator,
    *,
    draws: int = DRAWS,
) -> PoolDraws:
    """Draw from the posterior of the model that `kit.model.pool.fit_pool` fits.

    Parameters
    ----------
    printers : sequence of CrossProducts
        One a printer, at least three.
    random : sequence of int
        Columns whose coefficient differs between printers.
    rng : numpy Generator
        Source of the draws.
    draws : int
        How many.

    Returns
    -------
    PoolDraws

    Notes
    -----
    Prior: flat in the coefficients, in the standard deviations between printers and in the logarithm of that between prints; a flat
    standard deviation gives a proper posterior from three printers on (Gelman, Bayesian Analysis 1, 2006, 515-534, from memory). With
    r the ratio of the standard deviations, p(r | y) is proportional to RSS(r)^(-(n - p - k)/2) times the determinants of the restricted
    likelihood; given r the variance of prints is RSS / chi2(n - p - k) and the coefficients are normal. One ratio is drawn from a fine
    grid, several by a random walk of their logarithms (Metropolis), one after the other.
    """
    data = Stacked(printers, list(random))
    points = _on_grid(data, rng, draws) if len(random) == 1 else _walk(data, rng, draws)
    k, p = len(random), len(data.total.xy)
    coefficients, components = np.empty((draws, p)), np.empty((draws, k + 1))
    row = 0
    for point, count in points:
        rows = slice(row, row + count)
        row += count
        variance = point.variance * point.df / rng.chisquare(point.df - k, count)
        root = np.linalg.cholesky(point.unscaled)
        noise = rng.standard_normal((count, p)) @ root.T
        coefficients[rows] = point.coefficients + np.sqrt(variance)[:, None] * noise
        components[rows, :k] = point.ratios * variance[:, None]
        components[rows, k] = variance
    return PoolDraws(coefficients, components, tuple(random))


def _weight(point: Point) -> float:
    """Give the log density of the roots of the ratios, a constant left out."""
    return -0.5 * (point.criterion - len(point.ratios) * float(np.log(point.variance)))


def _on_grid(data: Stacked, rng: np.random.Generator, draws: int) -> list[tuple[Point, int]]:
    # r = u / (1 - u) for u evenly between 0 and 1; dr = du / (1 - u)^2.
    u = (np.arange(CELLS) + 0.5) / CELLS
    points = [Point(data, np.array([(v / (1 - v)) ** 2])) for v in u]
    weights = np.array([_weight(point) for point in points]) - 2 * np.log1p(-u)
    chances = np.exp(weights - weights.max())
    counts = rng.multinomial(draws, chances / chances.sum())
    return [(points[i], int(counts[i])) for i in np.flatnonzero(counts)]


def _walk(data: Stacked, rng: np.random.Generator, draws: int) -> list[tuple[Point, int]]:
    k = len(data.at)
    logs = np.log(np.full(k, 0.5))
    point = Point(data, np.exp(2 * logs))
    here = _weight(point) + float(logs.sum())  # the sum is the Jacobian of the logarithms
    found = []
    for sweep in range(BURN_IN + draws):
        for i in range(k):
            trial = logs.copy()
            trial[i] += STEP * rng.standard_normal()
            moved = Point(data, np.exp(2 * trial))
            there = _weight(moved) + float(trial.sum())
            if np.log(rng.random()) < there - here:
                logs, point, here = trial, moved, there
        if sweep >= BURN_IN:
            found.append((point, 1))
    return found
