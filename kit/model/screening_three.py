"""Screening at three levels: straight effects first, then the curved and joint ones among the active settings.

In a plan in which every print has a mirror image (all settings turned round) straight effects are not mixed up
with curved or joint ones. So they are judged first; only settings that then matter may bend or act jointly.
"""

from __future__ import annotations

from itertools import combinations_with_replacement

import numpy as np
import pandas as pd
from scipy import stats

from kit.errors import ModelError
from kit.model.least_squares import fit_least_squares, matrix_rank
from kit.model.screening import CLEAR, CONFIDENCE, LOOK, QUIET, SAME, Screening, lenth_margins
from kit.saying import listed
from kit.terms import FloatArray

SPARE = 2
"""Prints that selection leaves to judge scatter by, at least."""


def is_mirrored(coded: FloatArray) -> bool:
    """Tell whether every print off the middle has its mirror image, three levels each.

    Parameters
    ----------
    coded : array, shape (n, k)
        Settings as -1, 0 and 1.

    Returns
    -------
    bool
    """
    if np.any(np.abs(coded - np.round(coded)) > SAME) or np.any(np.abs(coded) > 1 + SAME):
        return False
    rows = sorted(map(tuple, np.round(coded).astype(int).tolist()))
    mirror = sorted(tuple(-v for v in row) for row in rows)
    return rows == mirror and bool(np.any(np.round(coded) == 0))


def screen_mirrored(coded: FloatArray, y: FloatArray, names: list[str], title: str) -> Screening:
    """Judge straight effects, then select curved and joint ones among the settings that matter.

    Parameters
    ----------
    coded : array, shape (n, k)
        Settings as -1, 0 and 1, in mirrored pairs and middles.
    y : array, shape (n,)
        Print means.
    names : list of str
        The k settings.
    title : str
        Of the response, for refusals.

    Returns
    -------
    Screening
        Straight effects from low to high (with Lenth's margin), then the selected others: a square as the bend from the
        middle to the ends, a joint effect as half the difference of differences.

    Raises
    ------
    ModelError
        If straight effects cannot be told apart, or are too few to judge.

    Notes
    -----
    Jones & Nachtsheim, J. Qual. Technol. 43, 2011, 1-15, for the plans; the two steps follow the idea of their analysis
    (Technometrics 59, 2017, 319-329), with Lenth's margin for the first and the corrected information criterion (Hurvich & Tsai,
    Biometrika 76, 1989, 297-307) with strong heredity for the second.
    """
    if len(names) < 3 or matrix_rank(np.column_stack([np.ones(len(y)), coded])) < len(names) + 1:
        raise ModelError(
            f"{title}: the straight effects of {listed(names)} cannot be judged from these prints."
        )
    straight = 2 * fit_least_squares(np.column_stack([np.ones(len(y)), coded]), y).coefficients[1:]
    lenth = lenth_margins(straight)
    size = np.abs(straight)
    verdict = np.where(size > lenth.joint_margin, CLEAR, np.where(size > lenth.margin, LOOK, QUIET))
    active = [i for i in range(len(names)) if verdict[i] != QUIET] or [int(size.argmax())]
    rows = [
        {
            "effect": n,
            "order": 1,
            "estimate": e,
            "low": e - lenth.margin,
            "high": e + lenth.margin,
            "verdict": v,
        }
        for n, e, v in zip(names, straight, verdict, strict=True)
    ]
    chosen = _selected(coded, y, active)
    rows += _second_rows(coded, y, active, chosen, names)
    table = pd.DataFrame(rows).assign(mixed_with="")
    return Screening(table, lenth, None, len(y), _notes(names, active, verdict, chosen))


def _column(coded: FloatArray, pair: tuple[int, int]) -> FloatArray:
    return np.asarray(coded[:, pair[0]] * coded[:, pair[1]])


def _design(coded: FloatArray, active: list[int], chosen: list[tuple[int, int]]) -> FloatArray:
    parts = [
        np.ones(len(coded)),
        *(coded[:, i] for i in active),
        *(_column(coded, p) for p in chosen),
    ]
    return np.column_stack(parts)


def _selected(coded: FloatArray, y: FloatArray, active: list[int]) -> list[tuple[int, int]]:
    # Add the joint or curved effect that betters the criterion most, as long as one does.
    chosen: list[tuple[int, int]] = []
    open_ = list(combinations_with_replacement(active, 2))
    best = _criterion(_design(coded, active, chosen), y)
    while open_:
        trials = [(_criterion(_design(coded, active, [*chosen, p]), y), p) for p in open_]
        found, pair = min(trials)
        if found >= best:
            break
        best = found
        chosen.append(pair)
        open_.remove(pair)
    return chosen


def _criterion(X: FloatArray, y: FloatArray) -> float:
    # Corrected Akaike criterion; the scatter counts as a parameter.
    n, p = X.shape
    if n - p < SPARE or n - p - 2 <= 0 or matrix_rank(X) < p:
        return float("inf")
    ss = max(float(fit_least_squares(X, y).residual_ss), 1e-300)
    k = p + 1
    return float(n * np.log(ss / n) + 2 * k * n / (n - k - 1))


def _second_rows(
    coded: FloatArray,
    y: FloatArray,
    active: list[int],
    chosen: list[tuple[int, int]],
    names: list[str],
) -> list[dict[str, object]]:
    if not chosen:
        return []
    fit = fit_least_squares(_design(coded, active, chosen), y)
    half = stats.t.ppf((1 + CONFIDENCE) / 2, fit.df)
    rows: list[dict[str, object]] = []
    for place, (i, j) in enumerate(chosen, start=1 + len(active)):
        estimate, error = float(fit.coefficients[place]), float(fit.std_errors[place])
        name = f"{names[i]}^2" if i == j else f"{names[i]}:{names[j]}"
        row = {"effect": name, "order": 2, "estimate": estimate, "verdict": LOOK}
        rows.append(row | {"low": estimate - half * error, "high": estimate + half * error})
    return rows


def _notes(
    names: list[str], active: list[int], verdict: np.ndarray, chosen: list[tuple[int, int]]
) -> tuple[str, ...]:
    notes = []
    if all(v == QUIET for v in verdict):
        notes.append(
            f"No straight effect rises above the scatter; only the largest, {names[active[0]]}, was tried for a bend."
        )
    if chosen:
        notes.append(
            "Curved and joint effects were picked from many by how well they fit, so they look larger and surer than they are "
            "(optimistic): confirm them with prints of their own."
        )
    else:
        notes.append(
            "No curved or joint effect of the settings that matter betters the description of these prints."
        )
    return tuple(notes)
