"""Effects as makers read them, where a response is fitted on another scale: in percent, or in its own unit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.model.effects import step_effects
from kit.model.scale import Scale
from kit.model.scale_words import SMALL_SHARE
from kit.model.surface import Surface
from kit.study.description import Response, Study
from kit.terms import FloatArray

_CHANGES = ("estimate", "low", "high", "step_estimate", "step_low", "step_high")


@dataclass(frozen=True)
class ShownEffects:
    """What turning each setting does.

    Attributes
    ----------
    table : DataFrame
        As `kit.model.effects.step_effects` gives it, changes in ``response.unit``; ``std_error`` stays on the fitted scale.
    response : Response
        Its title, and the unit of the changes.
    note : str
        What the changes are measured from; empty where the response is fitted as measured.
    ratios : bool
        The changes are logarithms of ratios, to be shown as factors.
    """

    table: pd.DataFrame
    response: Response
    note: str = ""
    ratios: bool = False


def shown_effects(surface: Surface, study: Study) -> ShownEffects:
    """Give the effects of a surface for pages.

    Parameters
    ----------
    surface : Surface
        As fitted.
    study : Study
        For units and steps.

    Returns
    -------
    ShownEffects

    Notes
    -----
    Logarithm: a change c of the logarithm multiplies the value at the first setting by exp(c), exactly and everywhere; in
    percent where no interval reaches 30 %, else as a factor. Other scales: the change about the typical value in the middle of the ranges, back(m + c/2) - back(m - c/2), limits by those of c
    with m as it is; elsewhere in the range the same change of setting does more or less.
    """
    table, scale = step_effects(surface, study), surface.scale
    if scale.is_plain:
        return ShownEffects(table, surface.stated)
    changes = table[list(_CHANGES)].to_numpy(dtype=float)
    if scale.kind != "log":
        middle = float(surface.mean(np.zeros((1, len(surface.coding.factors))))[0])
        shown = _about(scale, middle, changes)
        return ShownEffects(
            _with(table, shown), surface.stated, "About its typical value in the middle."
        )
    widest = float(np.nanmax(np.abs(table[["estimate", "low", "high"]].to_numpy(dtype=float))))
    bare = surface.stated.model_copy(update={"unit": ""})
    if widest > np.log1p(SMALL_SHARE) or surface.stated.unit == "%":
        return ShownEffects(
            table, bare, "Numbers multiply what it is at the first setting.", ratios=True
        )
    percent = bare.model_copy(update={"unit": "%"})
    note = "In percent of what it is at the first setting."
    return ShownEffects(_with(table, 100 * np.expm1(changes)), percent, note)


def _with(table: pd.DataFrame, changes: FloatArray) -> pd.DataFrame:
    return table.assign(**dict(zip(_CHANGES, changes.T, strict=True)))


def _about(scale: Scale, middle: float, changes: FloatArray) -> FloatArray:
    return np.asarray(scale.back(middle + changes / 2) - scale.back(middle - changes / 2))
