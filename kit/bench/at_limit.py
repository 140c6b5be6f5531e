"""Readings at the limit of the instrument: the true value is at least what was read (right-censored)."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from kit.study.description import Response, Study
from kit.study.quantities import RECIPE_INPUTS, VALUE

AT_LIMIT = "at the limit of the instrument"
"""How flags of specimens say it."""

NEAR = 0.995
"""A force from this share of the force limit on counts as at it: displays waver in their last digit."""

OFF_SCALE = ("off scale", "over range", "did not break")
"""Words in the note of a reading that say the same."""


def at_limit(response: Response, study: Study, used: pd.DataFrame) -> set[tuple[str, str]]:
    """Find the specimens of which a reading reached the limit.

    Parameters
    ----------
    response : Response
        What was read.
    study : Study
        For ``force_limit`` under ``[curves]``.
    used : DataFrame
        Its readings that count: ``run``, ``specimen``, ``part``, ``value``, ``note``.

    Returns
    -------
    set of (run, specimen)
        A force within half a percent of ``force_limit``, a value at ``limit_of_scale`` or above, or a note that says so. What is read off a
        curve beside the strength (a modulus, a strain) has no such limit.
    """
    if response.strength_property != "strength":
        return set()
    found = used["note"].fillna("").astype(str).str.casefold()
    hit = found.map(lambda text: any(words in text for words in OFF_SCALE)).astype(bool)
    force = study.curves.force_limit
    if force is not None and response.recipe in RECIPE_INPUTS:
        hit |= (used["part"] == "force") & (used["value"] >= NEAR * force)
    if response.limit_of_scale is not None:
        own = used["part"] == VALUE if response.recipe in RECIPE_INPUTS else True
        hit |= own & (used["value"] >= response.limit_of_scale)
    rows = used[hit]
    return {
        (str(run), str(piece)) for run, piece in zip(rows["run"], rows["specimen"], strict=True)
    }


def limited_pieces(
    response: Response,
    pieces: pd.DataFrame,
    broken: Mapping[tuple[str, str], str],
    reached: set[tuple[str, str]],
) -> pd.Series:
    """Tell for each specimen whether its value is only a lower bound.

    Parameters
    ----------
    response : Response
        What was read.
    pieces : DataFrame
        Specimens, indexed by run and specimen.
    broken : mapping of (run, specimen) to str
        Flags of curves, where a display that stands still is found as well.
    reached : set of (run, specimen)
        From `at_limit`.

    Returns
    -------
    Series of bool
        Indexed like ``pieces``.
    """
    flagged = set()
    if response.strength_property == "strength":
        flagged = {piece for piece, text in broken.items() if AT_LIMIT in text.split("; ")}
    both = reached | flagged
    return pd.Series(
        [(str(run), str(piece)) in both for run, piece in pieces.index],
        index=pieces.index,
        dtype=bool,
    )


def limit_flags(
    broken: Mapping[tuple[str, str], str], reached: set[tuple[str, str]]
) -> dict[tuple[str, str], str]:
    """Add the flag to specimens that reached the limit, where it is not among their flags yet.

    Returns
    -------
    dict of (run, specimen) to str
    """
    flags = dict(broken)
    for piece in sorted(reached):
        texts = [t for t in flags.get(piece, "").split("; ") if t]
        if AT_LIMIT not in texts:
            flags[piece] = "; ".join([*texts, AT_LIMIT])
    return flags
