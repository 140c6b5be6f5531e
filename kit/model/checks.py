"""Check a fitted surface: each check is one plain sentence with the numbers behind it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.model.check import EVIDENT, verdict
from kit.model.check import Check as Check
from kit.model.check import no_verdict as no_verdict
from kit.model.drift import drift_check, measuring_drift_check
from kit.model.effects import fit_summary
from kit.model.fit_notes import FEW_GROUPS, FEW_SPARE
from kit.model.known_misses import is_censored
from kit.model.mixed import spoken
from kit.model.replicates import replicates_check
from kit.model.scale_words import spread_words
from kit.model.scatter_checks import (
    influence_check,
    normality_check,
    outlier_check,
    scale_check,
    spread_check,
)
from kit.model.surface import Surface
from kit.saying import counted, listed


def check_surface(surface: Surface) -> tuple[Check, ...]:
    """Ask all checks of a surface.

    Parameters
    ----------
    surface : Surface
        As fitted.

    Returns
    -------
    tuple of Check
        Those that can change the answer first, otherwise in the order asked: ``lack_of_fit``, ``mixed_up``,
        ``spare_prints``, ``replicates``, ``drift``, ``measuring_drift``, ``outliers``, ``influence``, ``spread``, ``normality``, ``scale``, ``fit``.
    """
    asked = (
        lack_of_fit_check,
        mixed_up_check,
        spare_prints_check,
        replicates_check,
        drift_check,
        measuring_drift_check,
        outlier_check,
        influence_check,
        spread_check,
        normality_check,
        scale_check,
        fit_in_words,
    )
    answers = [ask(surface) for ask in asked]
    return tuple(sorted(answers, key=lambda check: not check.changes_answer))


def lack_of_fit_check(surface: Surface) -> Check:
    """Check the shape: whether the surface misses its settings' averages by more than repeats scatter.

    Table: ``F``, ``df``, ``residual_df``, ``p``, ``miss`` and ``repeats`` (roots of the two mean squares).

    Returns
    -------
    Check
    """
    found = surface.lack_of_fit
    if found is None and is_censored(surface).any():
        return no_verdict(
            "lack_of_fit",
            "Whether the surface has the right shape is not tested where prints reached the limit of the instrument.",
        )
    if found is None:
        return no_verdict(
            "lack_of_fit",
            "Whether the surface has the right shape cannot be tested: that takes settings printed "
            "more than once, and more settings than terms.",
        )
    miss, repeats = float(np.sqrt(found.lack_ms)), float(np.sqrt(found.pure_ms))
    row = {
        "F": found.F,
        "df": found.df[0],
        "residual_df": found.df[1],
        "p": found.p,
        "miss": miss,
        "repeats": repeats,
    }
    title = surface.stated.title
    said = f"The surface of {title} misses the averages of its settings"
    if surface.mixed is not None and found.p >= EVIDENT:
        said += " by no more than repeats in their groups scatter"
    elif np.isfinite(miss):
        said += (
            f" by about {spread_words(surface, miss)}, where prints of one setting scatter by "
            f"{spread_words(surface, repeats)}"
        )
    if found.p >= EVIDENT:
        said += ". Chance explains that much: no sign of a wrong shape."
    else:
        said += (
            ": more than chance explains. The true surface bends in ways this model does not follow; "
            "take predictions with caution and confirm them. If prints of one setting are pieces of one print, they agree "
            "too well and this verdict is too hard."
        )
    return verdict("lack_of_fit", found.p >= EVIDENT, pd.DataFrame([row]), said)


def mixed_up_check(surface: Surface) -> Check:
    """Say which terms these runs cannot tell apart. Table: ``term``, ``sentence``.

    Returns
    -------
    Check
    """
    table = pd.DataFrame({"term": surface.not_estimable, "sentence": surface.alias_notes})
    if table.empty:
        return verdict("mixed_up", True, table, "The runs tell all terms of the model apart.")
    said = (
        f"The runs cannot tell all terms apart, so the surface is fitted without {listed(surface.not_estimable)}: "
        f"{_mixed_up(surface)} What is shown for one of them may belong to another."
    )
    if any("^2" in note.partition(" is mixed up with ")[2] for note in surface.alias_notes):
        said += (
            " Only the sum of these bends is known, and the surface puts it down to the term that stays: away from the corners and the "
            'middle of the ranges, surface and chance may be wrong. Runs at the axial points (family = "central_composite") would tell.'
        )
    return verdict("mixed_up", False, table, said)


def _mixed_up(surface: Surface) -> str:
    """Say of the terms left out what they are mixed up with, those with the same answer in one sentence."""
    answers: dict[str, list[str]] = {}
    for name, note in zip(surface.not_estimable, surface.alias_notes, strict=True):
        answers.setdefault(note.removeprefix(f"{name} is "), []).append(name)
    return " ".join(
        f"{listed(names)} {'is' if len(names) == 1 else 'are'} {answer}"
        for answer, names in answers.items()
    )


def spare_prints_check(surface: Surface) -> Check:
    """Check that enough prints are left to judge scatter by. Table: ``runs``, ``coefficients``, ``df``.

    Returns
    -------
    Check
    """
    df = round(surface.residual_df)
    if surface.mixed is not None:
        return _spare_inside_groups(surface, df)
    table = fit_summary(surface)[["runs", "coefficients", "df"]]
    if df >= FEW_SPARE:
        said = f"The scatter is judged by {counted(df, 'spare print')}, beyond those that settle the surface."
    else:
        said = (
            f"Only {counted(df, 'spare print')} beyond those that settle the surface judge the scatter: intervals "
            "are wide and hardly to be relied on. A few more prints would help most."
        )
    return verdict("spare_prints", df >= FEW_SPARE, table, said)


def _spare_inside_groups(surface: Surface, df: int) -> Check:
    # Say how many prints, and how many groups, are left to judge the two kinds of scatter by.
    part = surface.mixed
    assert part is not None
    table = fit_summary(surface)[["runs", "coefficients", "df"]].assign(
        **{name: [size] for name, size in zip(part.names, part.sizes, strict=True)}
    )
    groups = [counted(n, spoken(name)) for name, n in zip(part.names, part.sizes, strict=True)]
    enough = df >= FEW_SPARE and min(part.sizes) >= FEW_GROUPS
    said = (
        f"The scatter inside each {listed([spoken(n) for n in part.names])} is judged by {counted(df, 'spare print')}, what new ones "
        f"may differ by from {listed(groups)}"
    )
    said += (
        "."
        if enough
        else ": few, so limits are wide. More of them would help more than more prints in each."
    )
    return verdict("spare_prints", enough, table, said)


def fit_in_words(surface: Surface) -> Check:
    """Say how well the surface foretells prints. Table: that of `kit.model.effects.fit_summary`.

    Returns
    -------
    Check
    """
    table = fit_summary(surface)
    row, title = table.iloc[0], surface.stated.title
    miss = spread_words(surface, row["print_miss"])
    said = f"A new print{_in_new_group(surface)} typically misses its predicted {title} by {miss}"
    if np.isfinite(row["left_out_miss"]):
        known = " from the others, those of their own group included," if surface.mixed else ""
        said += f"; left-out prints were foretold{known} to {spread_words(surface, row['left_out_miss'])}"
    return Check("fit", None, table, said + ".")


def _in_new_group(surface: Surface) -> str:
    names = () if surface.mixed is None else surface.mixed.names
    return f" in a new {listed([spoken(n) for n in names])}" if names else ""
