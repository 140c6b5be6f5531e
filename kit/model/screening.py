"""Screening: which of many settings matter, from few prints and without repeats.

At two levels every effect is the mean at high less the mean at low. Most effects are small, and their
middle size tells the scatter: Lenth's margin, in the response's own unit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import stats

from kit.bench.measured import Measured
from kit.errors import ModelError
from kit.saying import counted, listed
from kit.study.description import Study
from kit.terms import FloatArray
from kit.words import CONFIRMATION as CONFIRMATION

CONFIDENCE = 0.95
SAME = 1e-9
FEWEST_EFFECTS = 3
DEEPEST = 3
"""What an effect is mixed up with is named up to joint effects of so many settings."""

CLEAR, LOOK, QUIET = "stands out among all", "worth a look", "lost in the scatter"


@dataclass(frozen=True)
class Lenth:
    """Lenth's margins of a set of effects.

    Attributes
    ----------
    pse : float
        Pseudo standard error: the scatter of an effect that is nothing.
    margin : float
        A single effect this large would come from nothing in 5 of 100 studies.
    joint_margin : float
        The largest of all effects would exceed this in 5 of 100 studies.
    """

    pse: float
    margin: float
    joint_margin: float


@dataclass(frozen=True)
class Screening:
    """What each setting does, judged without repeats.

    Attributes
    ----------
    effects : DataFrame
        One row an effect, settings in study order, then joint effects: ``effect`` (term name), ``order``, ``estimate``
        (mean at high less mean at low, in the response's unit), ``low``, ``high`` (by the margin), ``verdict``,
        ``mixed_with`` (names it cannot be told from, parted by ", ").
    lenth : Lenth
    curvature : tuple of float or None
        Middle less corners: estimate, low, high (95 %); None without repeated prints in the middle.
    runs : int
        Prints at the corners.
    notes : tuple of str
    """

    effects: pd.DataFrame
    lenth: Lenth
    curvature: tuple[float, float, float] | None
    runs: int
    notes: tuple[str, ...]


def lenth_margins(
    effects: Sequence[float] | FloatArray, *, confidence: float = CONFIDENCE
) -> Lenth:
    """Give Lenth's margins.

    Parameters
    ----------
    effects : array, shape (m,)
        All effects of a plan, m >= 3.
    confidence : float, default 0.95
        Of both margins, strictly between 0 and 1.

    Returns
    -------
    Lenth

    Raises
    ------
    ValueError
        If there are fewer than 3 effects.

    Notes
    -----
    s0 = 1.5 median |effect|; the pseudo standard error is 1.5 times the median of those below 2.5 s0; Student's
    t with m/3 degrees of freedom (Lenth, Technometrics 31, 1989, 469-473).

    Examples
    --------
    >>> found = lenth_margins([-10.875, -2.775, -16.575, 3.175, -22.825, -3.425, 0.525])
    >>> round(found.pse, 4), round(found.margin, 2)
    (4.7625, 17.93)
    """
    size = np.abs(np.asarray(effects, dtype=float))
    m = len(size)
    if m < FEWEST_EFFECTS:
        raise ValueError(f"{m} effects are too few to tell large from small; 3 are needed.")
    s0 = 1.5 * float(np.median(size))
    small = size[size < 2.5 * s0]
    pse = 1.5 * float(np.median(small)) if len(small) else 0.0
    joint = (1 + confidence ** (1 / m)) / 2
    return Lenth(
        pse=pse,
        margin=float(stats.t.ppf((1 + confidence) / 2, m / 3)) * pse,
        joint_margin=float(stats.t.ppf(joint, m / 3)) * pse,
    )


def screen(measured: Measured, runs: pd.DataFrame, study: Study) -> Screening:
    """Judge the effects of a two-level plan.

    Parameters
    ----------
    measured : Measured
        Print means of one response.
    runs : DataFrame
        The runs table.
    study : Study
        Factors at two levels each, with or without prints in the middle.

    Returns
    -------
    Screening

    Raises
    ------
    ModelError
        If a factor has other than two levels, or the prints do not make a balanced two-level plan.
    """
    signs, middle, y = _signs(measured, runs, study)
    names = [f.name for f in study.factors]
    corners, yc = signs[~middle], y[~middle]
    n = len(yc)
    columns = _words(corners, names)
    kept, mixed = _distinct(columns, n)
    estimates = np.array([2 * float(columns[name] @ yc) / n for name in kept])
    lenth = (
        lenth_margins(estimates) if len(kept) >= FEWEST_EFFECTS else Lenth(np.nan, np.nan, np.nan)
    )
    if not lenth.pse > 0:
        raise ModelError(
            f"{measured.response.title}: {counted(len(kept), 'effect')} that differ from nothing are too few, or too many readings agree, "
            "to tell large effects from small ones."
        )
    sizes = np.abs(estimates)
    verdicts = np.where(
        sizes > lenth.joint_margin, CLEAR, np.where(sizes > lenth.margin, LOOK, QUIET)
    )
    table = pd.DataFrame(
        {
            "effect": kept,
            "order": [name.count(":") + 1 for name in kept],
            "estimate": estimates,
            "low": estimates - lenth.margin,
            "high": estimates + lenth.margin,
            "verdict": verdicts,
            "mixed_with": [", ".join(mixed[name]) for name in kept],
        }
    )
    return Screening(table, lenth, _curvature(yc, y[middle]), n, _notes(table, n))


def _signs(
    measured: Measured, runs: pd.DataFrame, study: Study
) -> tuple[FloatArray, np.ndarray, FloatArray]:
    # Give the factors as -1 and 1, which prints lie in the middle, and the print means.
    usable = (runs["status"] == "printed") & (runs["round"] != CONFIRMATION)
    used = runs[usable].merge(measured.prints[["run", "value"]], on="run", validate="one_to_one")
    if used.empty:
        raise ModelError("no printed run has a result yet.")
    columns: list[FloatArray] = []
    wrong: list[str] = []
    scaled: list[int] = []
    for factor in study.factors:
        coded = factor.coded
        column = coded.code(used[factor.name].to_numpy())
        if coded.is_category:
            column = 2 * column - 1 if len(coded.levels) == 2 else np.full(len(used), np.nan)
        else:
            scaled.append(len(columns))
        columns.append(column)
        if not np.all((np.abs(np.abs(column) - 1) < SAME) | (np.abs(column) < SAME)):
            wrong.append(factor.name)
    signs = np.column_stack(columns)
    middle = (
        np.all(np.abs(signs[:, scaled]) < SAME, axis=1) if scaled else np.zeros(len(used), bool)
    )
    if wrong or np.any(np.abs(signs[~middle]) < SAME):
        who = (
            f"{listed(wrong)} stood at other settings"
            if wrong
            else "some prints had only some of them there"
        )
        raise ModelError(
            f"Screening judges settings at their low and high ends, and prints in the middle of all; {who}. For three or "
            "more settings of a factor read the surface report."
        )
    return signs, middle, used["value"].to_numpy(dtype=float)


def _words(corners: FloatArray, names: Sequence[str]) -> dict[str, FloatArray]:
    # Give the columns of all effects, single ones first.
    columns = {}
    for order in range(1, len(names) + 1):
        for chosen in combinations(range(len(names)), order):
            name = ":".join(names[i] for i in chosen)
            columns[name] = np.asarray(corners[:, list(chosen)].prod(axis=1))
        if len(columns) > 4096:
            break
    return columns


def _distinct(columns: dict[str, FloatArray], n: int) -> tuple[list[str], dict[str, list[str]]]:
    # Keep the first of all effects that cannot be told apart; the others are what it is mixed up with.
    if any(abs(column.sum()) > SAME for name, column in columns.items() if ":" not in name):
        raise ModelError(
            "the settings were not printed equally often at low and high (did a print fail?), so effects cannot be "
            'told apart one by one. Print the missing runs, or read the surface report with terms = "main".'
        )
    kept: list[str] = []
    basis = np.empty((0, n))
    mixed: dict[str, list[str]] = {}
    for name, column in columns.items():
        if abs(abs(column.sum()) - n) < SAME:
            continue  # the same in every run
        shares = np.abs(basis @ column) / n
        if len(kept) and shares.max() > 1 - SAME:
            if name.count(":") < DEEPEST:
                mixed[kept[int(shares.argmax())]].append(name)
            continue
        if len(kept) and shares.max() > SAME:
            if ":" not in name:
                raise ModelError(
                    f"{name} is partly mixed up with {kept[int(shares.argmax())]}, so effects cannot be told apart one by one."
                )
            continue  # partly mixed up with several, as in plans of 12 or 20 runs
        kept.append(name)
        mixed[name] = []
        basis = np.vstack([basis, column])
    return kept, mixed


def _curvature(corners: FloatArray, middle: FloatArray) -> tuple[float, float, float] | None:
    if len(middle) < 2:
        return None
    estimate = float(middle.mean() - corners.mean())
    error = float(middle.std(ddof=1)) * np.sqrt(1 / len(middle) + 1 / len(corners))
    half = float(stats.t.ppf((1 + CONFIDENCE) / 2, len(middle) - 1)) * float(error)
    return estimate, estimate - half, estimate + half


def _notes(table: pd.DataFrame, n: int) -> tuple[str, ...]:
    notes = []
    singles = table[table["order"] == 1]
    two = [
        (str(r["effect"]), ", ".join(m for m in r["mixed_with"].split(", ") if m.count(":") == 1))
        for r in singles.to_dict("records")
    ]
    pairs = [(name, mixed) for name, mixed in two if mixed]
    if pairs:
        worst = [f"{name} with {mixed.replace(':', ' × ')}" for name, mixed in pairs]
        notes.append(
            f"In these {n} prints single settings are mixed up with joint effects: {'; '.join(worst)}. An effect shown for one may belong "
            "to the other; prints with all settings turned round would tell them apart."
        )
    if len(table) < n - 1:
        notes.append(
            "Joint effects of two settings are spread over the others in a plan of this many prints; only single settings are judged, "
            "and what is spread over them counts as scatter."
        )
    return tuple(notes)
