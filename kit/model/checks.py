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
from kit.model.mixed import spoken
from kit.model.replicates import replicates_check
from kit.model.saying import amount, counted, listed
from kit.model.scatter_checks import (
    influence_check,
    normality_check,
    outlier_check,
    scale_check,
    spread_check,
)
from kit.model.surface import Surface


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
    unit, title = surface.response.unit, surface.response.title
    said = f"The surface of {title} misses the averages of its settings"
    if surface.mixed is not None and found.p >= EVIDENT:
        said += " by no more than repeats in their groups scatter"
    elif np.isfinite(miss):
        said += (
            f" by about {amount(miss, unit)}, where prints of one setting scatter by "
            f"{amount(repeats, unit)}"
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
        f"{' '.join(surface.alias_notes)} What is shown for one of them may belong to another."
    )
    return verdict("mixed_up", False, table, said)


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
    row, unit, title = table.iloc[0], surface.response.unit, surface.response.title
    said = f"A new print{_in_new_group(surface)} typically misses its predicted {title} by {amount(row['print_miss'], unit)}"
    if np.isfinite(row["left_out_miss"]):
        known = " from the others, those of their own group included," if surface.mixed else ""
        said += f"; left-out prints were foretold{known} to {amount(row['left_out_miss'], unit)}"
    return Check("fit", None, table, said + ".")


def _in_new_group(surface: Surface) -> str:
    names = () if surface.mixed is None else surface.mixed.names
    return f" in a new {listed([spoken(n) for n in names])}" if names else ""
