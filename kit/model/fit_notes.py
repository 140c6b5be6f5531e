"""What a fit has to say beside its numbers: few spare prints, terms hardly told apart, groups of prints."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from kit.model.mixed import BLOCK, MixedFit, spoken
from kit.saying import counted, listed
from kit.study.description import Study
from kit.terms import FloatArray, Term

FEW_SPARE = 3
"""Fewer residual degrees of freedom than this are flagged."""

FEW_GROUPS = 4
"""With fewer random groups their scatter is hardly known (common practice, no source)."""

HARDLY_APART = 100.0
"""A variance inflation above this is said: common practice warns from 10, coded designs stay below 5."""


def fit_notes(
    df: int,
    unscaled: FloatArray,
    left_out: FloatArray,
    design: FloatArray,
    terms: Sequence[Term],
    used: pd.DataFrame,
    trend: bool = False,
) -> tuple[str, ...]:
    """Say what makes a fit shaky, and which blocks it averages over.

    Parameters
    ----------
    df : int
        Spare prints.
    unscaled : array, shape (p, p)
        Covariance of the coefficients over the residual variance.
    left_out : array, shape (n,)
        Predictions with each run left out, missing where it decides alone.
    design : array, shape (n, p)
        Model matrix, block columns last.
    terms : sequence of Term
        Terms in the factors.
    used : DataFrame
        The runs.
    trend : bool, default False
        Whether the last column takes a drift out.

    Returns
    -------
    tuple of str
    """
    notes = []
    if df < FEW_SPARE:
        notes.append(
            f"Only {counted(df, 'spare run')} ({len(used)} runs, {design.shape[1]} numbers fitted) to judge "
            "the scatter by: intervals are wide and hardly to be relied on."
        )
    hardly = _hardly_apart(unscaled, design, [t.name for t in terms])
    if hardly:
        notes.append(
            f"{listed(hardly)} {'is' if len(hardly) == 1 else 'are'} hardly told apart from other terms by "
            "these runs; the intervals say how little is known."
        )
    alone = used.loc[np.isnan(left_out), "run"]
    if len(alone):
        notes.append(
            f"{'Run' if len(alone) == 1 else 'Runs'} {listed(map(str, alone))} alone "
            f"{'decides' if len(alone) == 1 else 'decide'} part of the surface; no other run can check it."
        )
    blocks = design.shape[1] - len(terms) - trend
    if blocks:
        notes.append(
            f"The prints came in {blocks + 1} blocks; predictions speak of an average block."
        )
    return tuple(notes)


def group_notes(names: Sequence[str], mixed: MixedFit | None, study: Study) -> tuple[str, ...]:
    """Say what random groups mean for the answer, and what they could not show.

    Parameters
    ----------
    names : sequence of str
        Groupings asked for.
    mixed : MixedFit or None
        None when no grouping puts prints together.
    study : Study
        For what is hard to change.

    Returns
    -------
    tuple of str
    """
    if mixed is None:
        alone = "Every print had a block of its own, so prints count as independent."
        return (
            (alone,) if study.random_blocks and any(f.hard_to_change for f in study.factors) else ()
        )
    part = mixed.part
    sizes = [counted(n, spoken(name)) for name, n in zip(part.names, part.sizes, strict=True)]
    future = (
        f"Prints came in {listed(sizes)}, taken as a sample of those to come: predictions speak of a "
        f"future {listed([spoken(n) for n in part.names])}, not of one of these."
    )
    notes = [future]
    few = [spoken(n) for n, size in zip(part.names, part.sizes, strict=True) if size < FEW_GROUPS]
    if few:
        notes.append(
            f"There are fewer than {FEW_GROUPS} {listed([f + 's' for f in few])}, so what they differ by is hardly known; "
            "limits for a new one are wide for that reason."
        )
    zero = [spoken(n) for n, v in zip(part.names, part.components, strict=False) if v == 0]
    if zero:
        notes.append(
            f"No scatter between {listed([z + 's' for z in zero])} shows in these prints. That does not prove that "
            "there is none: the groups stay in the model and the limits allow for them."
        )
    lacking = [n for n in names if n not in part.names and n != BLOCK]
    if lacking:
        notes.append(
            f"{listed([spoken(n) for n in lacking])}: only one, or one for each print, so nothing is learnt about what "
            "they differ by."
        )
    return tuple(notes)


def _hardly_apart(unscaled: FloatArray, design: FloatArray, names: Sequence[str]) -> list[str]:
    # Name the terms whose variance inflation, about the mean, is above `HARDLY_APART`.
    spread = np.sum((design - design.mean(axis=0)) ** 2, axis=0)
    inflation = np.diag(unscaled) * spread
    return [
        n for n, v in zip(names, inflation, strict=False) if v > HARDLY_APART and n != "intercept"
    ]
