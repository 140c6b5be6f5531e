"""What prints at the limit of the instrument mean for the answer, in a maker's words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kit.model.known_misses import is_censored
from kit.model.least_squares import fit_least_squares
from kit.model.scale_words import spread_words
from kit.model.surface import Surface
from kit.saying import amount, counted, listed, span
from kit.words import capital


@dataclass(frozen=True)
class LimitEffect:
    """What it changes that prints at the limit count as "at least".

    Attributes
    ----------
    runs : tuple of str
        Prints at the limit.
    below : tuple of float
        By how much a fit of the readings as they stand would lie lower at these prints: least and most.
    residual_sd : float
        Scatter of a print as fitted.
    naive_residual_sd : float
        What the fit of the readings as they stand would take for it.
    """

    runs: tuple[str, ...]
    below: tuple[float, float]
    residual_sd: float
    naive_residual_sd: float


def limit_effect(surface: Surface) -> LimitEffect | None:
    """Compare the fit with the one that takes readings at the limit for what they are.

    Parameters
    ----------
    surface : Surface
        As fitted.

    Returns
    -------
    LimitEffect or None
        None without prints at the limit. Levels in the unit of the response, scatter on the scale of the fit.
    """
    at = is_censored(surface).to_numpy()
    if not at.any():
        return None
    table = surface.observations
    naive = fit_least_squares(surface.design, table["value"].to_numpy(dtype=float))
    lower = surface.scale.back((surface.design @ naive.coefficients)[at])
    gap = surface.scale.back(table["fitted"].to_numpy(dtype=float)[at]) - lower
    return LimitEffect(
        runs=tuple(table.loc[at, "run"].astype(str)),
        below=(float(gap.min()), float(gap.max())),
        residual_sd=float(np.sqrt(surface.residual_variance)),
        naive_residual_sd=float(np.sqrt(naive.variance)),
    )


def limit_sentences(surface: Surface) -> tuple[str, ...]:
    """Say how many prints were at the limit, that they count as "at least", and what that changes.

    Returns
    -------
    tuple of str
        Empty without such prints.
    """
    found = limit_effect(surface)
    if found is None:
        return ()
    response = surface.stated
    unit, title, n = response.unit, response.title, len(surface.observations)
    which = (
        f"run{'s' * (len(found.runs) > 1)} {listed(found.runs)}"
        if len(found.runs) < 8
        else "marked ≥ in the table of runs"
    )
    low, high = found.below
    alike = high - low < 0.1 * abs(high)
    lower = amount(high, unit) if alike else span(low, high, unit)
    counts = (
        f"{capital(title)}: {len(found.runs)} of {counted(n, 'print')} ({which}) reached the limit of the instrument. They count as "
        "“at least what was read”; how far above it they are, no reading says."
    )
    said = [counts]
    if high > 0:
        said.append(
            f"Taken as read, the surface of {title} would lie {lower} lower at these prints, and a print would seem to scatter by "
            f"{spread_words(surface, found.naive_residual_sd)} instead of {spread_words(surface, found.residual_sd)}."
        )
    said.append(
        f"Where {title} lies above what the instrument can read, its chance rests on the shape of the surface and on the bell "
        "curve. The checks of single prints leave these prints out."
    )
    return tuple(said)
