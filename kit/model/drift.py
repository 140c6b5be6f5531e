"""Drift: what changed with the order of printing or of measuring, beside what the settings did."""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from kit.model.check import Check, no_verdict, verdict
from kit.model.known_misses import even_scale, with_known_misses
from kit.model.least_squares import fit_least_squares, matrix_rank
from kit.model.mixed import added_column
from kit.model.scale_words import change_words
from kit.model.surface import Surface
from kit.terms import FloatArray

INTERVAL = 0.95

RARE_RUNS = 0.01
"""The checks of runs and of the moving average only stand beside the trend, so they speak up later."""

WEIGHT = 0.2
"""Weight of the newest print in the moving average (common practice: 0.05 to 0.25)."""

DRAWS = 2000
TOGETHER = 0.9
"""Rank correlation above which printing and measuring order say the same."""


@dataclass(frozen=True)
class MovingAverage:
    """The exponentially weighted moving average of what prints miss, in order.

    Attributes
    ----------
    values, sd : array, shape (n,)
        The average after each print and its SD where nothing changed, in the response's unit.
    furthest : float
        Largest distance from 0 in its SDs.
    at : int
        Place of it.
    p : float
        Chance of as far a one where nothing changed.
    """

    values: FloatArray
    sd: FloatArray
    furthest: float
    at: int
    p: float


def drift_check(surface: Surface) -> Check:
    """Check for a drift over print order: straight, by neighbours that err alike, or for a while.

    Parameters
    ----------
    surface : Surface
        As fitted.

    Returns
    -------
    Check
        Table: ``estimate`` (change from first print to last), ``std_error``, ``df``, ``low``, ``high`` (95 %), ``p``,
        ``runs`` of one sign among the residuals in order, ``expected_runs``, ``runs_p``, ``furthest`` (moving
        average, in its SDs), ``furthest_run``, ``furthest_p``.

    Notes
    -----
    The order enters as one more column of the fit. The runs test is exact given the numbers of either
    sign (Wald & Wolfowitz, Ann. Math. Stat. 11, 1940, 147-162), one-sided for too few. The moving average
    is that of Roberts (Technometrics 1, 1959, 239-250) of the residuals, judged by its own distribution
    for this plan, since residuals of a fit are not independent.
    """
    return _order_check(surface, "print_order", "drift")


def measuring_drift_check(surface: Surface) -> Check:
    """Check the same over the order in which prints were measured. Table: as for `drift_check`.

    Returns
    -------
    Check
        Without verdict where that order is not known or hardly differs from the print order.
    """
    table = surface.observations
    if "measured" not in table or table["measured"].isna().any():
        return no_verdict("measuring_drift", "The order of measuring is not known.")
    rank = stats.spearmanr(table["measured"], table["print_order"]).statistic
    if abs(rank) > TOGETHER:
        return no_verdict(
            "measuring_drift",
            "Prints were measured in the order they were printed, so a drift of the instrument cannot be told from one "
            "of the printer. Measure in another, random order.",
        )
    return _order_check(surface, "measured", "measuring_drift")


def _order_check(surface: Surface, column: str, name: str) -> Check:
    surface = with_known_misses(surface)
    what = "print order" if column == "print_order" else "measuring order"
    table = surface.observations.sort_values(column, kind="stable")
    order = table[column].to_numpy(dtype=float)
    if len(order) < 3 or np.ptp(order) == 0:
        return no_verdict(name, f"Drift cannot be seen: the {what} is not known.")
    found = _trend(surface, trend_column(surface.observations[column].to_numpy(dtype=float)))
    if found is None:
        return no_verdict(
            name,
            f"Drift over {what} cannot be told from the effects of the settings in these runs.",
        )
    estimate, std_error, df = found
    half = float(stats.t.ppf((1 + INTERVAL) / 2, df)) * std_error
    runs, expected, runs_p = runs_test(table["residual"].to_numpy() > 0)
    average = moving_average(surface, table.index.to_numpy())
    row: dict[str, float] = {
        "estimate": estimate,
        "std_error": std_error,
        "df": df,
        "low": estimate - half,
        "high": estimate + half,
        "p": float(2 * stats.t.sf(abs(estimate) / std_error, df)) if std_error else np.nan,
        "runs": runs,
        "expected_runs": expected,
        "runs_p": runs_p,
        "furthest": average.furthest,
        "furthest_p": average.p,
    }
    around = str(table["run"].iloc[average.at])
    steady, mixed = row["low"] <= 0 <= row["high"], not runs_p < RARE_RUNS
    calm = not average.p < RARE_RUNS
    said = _drift_words(row, surface, name, (steady, mixed, calm), around)
    frame = pd.DataFrame([{**row, "furthest_run": around}])
    return verdict(name, steady and mixed and calm, frame, said)


def trend_column(order: FloatArray) -> FloatArray:
    """Give an order as a column from first to last one unit apart, with mean 0.

    Returns
    -------
    array, shape (n,)
    """
    return np.asarray((order - order.mean()) / np.ptp(order))


def moving_average(surface: Surface, places: npt.NDArray[np.intp]) -> MovingAverage:
    """Follow the moving average of what prints miss.

    Parameters
    ----------
    surface : Surface
        As fitted.
    places : array of int, shape (n,)
        Rows of the observations in the order to follow.

    Returns
    -------
    MovingAverage
        Its chance is found from 2000 draws of this plan's residuals with a fixed seed.
    """
    # What prints miss has covariance s2 M: for a mixed model given their groups, s2 P.
    scale = even_scale(surface)
    y = (surface.observations["residual"].to_numpy(dtype=float) * scale)[places]
    n, s2 = len(y), surface.residual_variance
    if surface.mixed is None:
        design = surface.design * scale[:, None]
        M = np.eye(n) - design @ surface.unscaled @ design.T
    else:
        M = s2 * surface.mixed.P
    M = M[np.ix_(places, places)]
    steps = np.arange(n)
    W = np.where(steps[:, None] >= steps, WEIGHT * (1 - WEIGHT) ** (steps[:, None] - steps), 0.0)
    spread = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", W, M, W), 1e-12))
    values, vectors = np.linalg.eigh(M)
    free = values > 1e-9
    root = vectors[:, free] * np.sqrt(values[free])
    size = float(np.sqrt(np.mean((root.T @ y / values[free]) ** 2)))
    if size == 0:
        return MovingAverage(np.zeros(n), spread * np.sqrt(s2), 0.0, 0, 1.0)
    distance = np.abs(W @ y) / spread / size
    draws = np.random.default_rng(1).standard_normal((DRAWS, int(free.sum())))
    far = np.abs(draws @ (W @ root).T) / spread
    largest = far.max(axis=1) / np.sqrt(np.mean(draws**2, axis=1))
    p = (1 + int(np.sum(largest >= distance.max()))) / (1 + DRAWS)
    at = int(distance.argmax())
    return MovingAverage(W @ y, spread * size, float(distance.max()), at, p)


def _trend(surface: Surface, column: FloatArray) -> tuple[float, float, float] | None:
    # Give the change from first to last, its standard error and degrees of freedom.
    y = surface.observations["value"].to_numpy(dtype=float)
    if surface.mixed is not None:
        return added_column(surface.design, column, y, surface.mixed.groups)
    scale = even_scale(surface)
    design = np.column_stack([surface.design, column]) * scale[:, None]
    if len(y) <= design.shape[1] or matrix_rank(design) < design.shape[1]:
        return None
    fit = fit_least_squares(design, (y - y.mean()) * scale)
    return float(fit.coefficients[-1]), float(fit.std_errors[-1]), float(fit.df)


def _drift_words(
    row: dict[str, float],
    surface: Surface,
    name: str,
    calm: tuple[bool, bool, bool],
    around: str,
) -> str:
    printed = name == "drift"
    said = (
        f"From the first print {'' if printed else 'measured '}to the last, {surface.stated.title} drifted by "
        f"{change_words(surface, row['estimate'], row['low'], row['high'])} with 95 % confidence)"
    )
    cause = "spool, nozzle, room" if printed else "instrument, operator, ageing of the pieces"
    while_ = "while you printed" if printed else "while you measured"
    steady, mixed, level = calm
    if not steady:
        return f"{said}, more than scatter explains: something changed {while_} ({cause})."
    if not mixed:
        return (
            f"{said}, but neighbouring prints err to the same side: {row['runs']:.0f} stretches where about "
            f"{row['expected_runs']:.0f} would be expected. Something may have changed for a while."
        )
    if not level:
        return (
            f"{said}, but around run {around} several prints in a row lie off to one side, further than chance explains: "
            f"something may have changed there ({cause})."
        )
    return f"{said}, which may well be nothing."


def runs_test(above: npt.NDArray[np.bool_]) -> tuple[int, float, float]:
    """Count stretches of one sign and give the chance of so few.

    Parameters
    ----------
    above : array of bool, shape (n,)
        Whether each residual, in order, is above 0.

    Returns
    -------
    runs : int
        Stretches counted.
    expected : float
        Mean number by chance.
    p : float
        Exact chance of at most so many, given the numbers of either sign; missing if one is absent.

    Examples
    --------
    Five of each in two stretches: 2 of the 252 arrangements have so few.

    >>> runs, expected, p = runs_test(np.array([True] * 5 + [False] * 5))
    >>> runs, expected, round(p * 252, 6)
    (2, 6.0, 2.0)
    """
    above = np.asarray(above, dtype=bool)
    a, b = int(above.sum()), int((~above).sum())
    runs = 1 + int(np.sum(above[1:] != above[:-1]))
    if not a or not b:
        return runs, 1.0, np.nan
    ways = sum(_arrangements(r, a, b) for r in range(2, runs + 1))
    return runs, 1 + 2 * a * b / (a + b), ways / comb(a + b, a)


def _arrangements(runs: int, a: int, b: int) -> int:
    # Count the arrangements of a and b signs with exactly so many stretches.
    half = runs // 2
    if runs % 2 == 0:
        return 2 * comb(a - 1, half - 1) * comb(b - 1, half - 1)
    return comb(a - 1, half) * comb(b - 1, half - 1) + comb(a - 1, half - 1) * comb(b - 1, half)
