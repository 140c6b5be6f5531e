"""Drift: what changed with print order, beside what the settings did."""

from __future__ import annotations

from math import comb

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from kit.model.check import Check, no_verdict, verdict
from kit.model.least_squares import fit_least_squares, matrix_rank
from kit.model.saying import amount, span
from kit.model.surface import Surface
from kit.study.description import Response

INTERVAL = 0.95

RARE_RUNS = 0.01
"""The runs test only stands beside the trend, so it speaks up later."""


def drift_check(surface: Surface) -> Check:
    """Check for a straight drift over print order, and for neighbours that err to the same side.

    Parameters
    ----------
    surface : Surface
        As fitted.

    Returns
    -------
    Check
        Table: ``estimate`` (change from first print to last), ``std_error``, ``df``, ``low``, ``high`` (95 %), ``p``,
        ``runs`` of one sign among the residuals in print order, ``expected_runs``, ``runs_p``.

    Notes
    -----
    Print order enters as one more column of the least-squares fit. The runs test is exact given the
    numbers of either sign (Wald & Wolfowitz, Ann. Math. Stat. 11, 1940, 147-162), one-sided for too few.
    """
    table = surface.observations.sort_values("print_order", kind="stable")
    y = table["value"].to_numpy(dtype=float)
    order = table["print_order"].to_numpy(dtype=float)
    if len(order) < 3 or np.ptp(order) == 0:
        return no_verdict("drift", "Drift cannot be seen: the print order is not known.")
    trend = (order - order.mean()) / np.ptp(order)
    design = np.column_stack([surface.design[table.index.to_numpy()], trend])
    if len(y) <= design.shape[1] or matrix_rank(design) < design.shape[1]:
        return no_verdict(
            "drift",
            "Drift over print order cannot be told from the effects of the settings in these runs.",
        )
    fit = fit_least_squares(design, y - y.mean())
    estimate, std_error = float(fit.coefficients[-1]), float(fit.std_errors[-1])
    half = float(stats.t.ppf((1 + INTERVAL) / 2, fit.df)) * std_error
    low, high = estimate - half, estimate + half
    above = table["residual"].to_numpy() > 0
    runs, expected, runs_p = runs_test(above)
    row: dict[str, float] = {
        "estimate": estimate,
        "std_error": std_error,
        "df": fit.df,
        "low": low,
        "high": high,
        "p": float(2 * stats.t.sf(abs(estimate) / std_error, fit.df)) if std_error else np.nan,
        "runs": runs,
        "expected_runs": expected,
        "runs_p": runs_p,
    }
    steady, mixed = low <= 0 <= high, not runs_p < RARE_RUNS
    said = _drift_words(row, surface.response, steady=steady, mixed=mixed)
    return verdict("drift", steady and mixed, pd.DataFrame([row]), said)


def _drift_words(row: dict[str, float], response: Response, *, steady: bool, mixed: bool) -> str:
    low, high = row["low"], row["high"]
    said = (
        f"From the first print to the last, {response.title} drifted by "
        f"{amount(row['estimate'], response.unit, (high - low) / 2)} "
        f"({span(low, high, response.unit)} with 95 % confidence)"
    )
    if not steady:
        return f"{said}, more than scatter explains: something changed while you printed (spool, nozzle, room)."
    if not mixed:
        return (
            f"{said}, but neighbouring prints err to the same side: {row['runs']:.0f} stretches where about "
            f"{row['expected_runs']:.0f} would be expected. Something may have changed for a while."
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
