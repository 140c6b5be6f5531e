"""Checks of the scatter about a surface: single prints, evenness, bell shape, scale."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import pingouin
from scipy import stats

from kit.model.boxcox import box_cox
from kit.model.check import EVIDENT, STRIKING, Check, no_verdict, verdict
from kit.model.chosen_scale import chosen_scale_check
from kit.model.influence import cook_distances, distances_at_two_errors, largest_shifts
from kit.model.known_misses import even_scale, with_known_misses
from kit.model.least_squares import ALONE
from kit.model.reduction import indicator
from kit.model.scale_words import spread_words
from kit.model.spread import SPARE_FOR_EACH
from kit.model.surface import Surface
from kit.saying import amount, listed, rounded, span
from kit.terms import FloatArray

BoolArray = npt.NDArray[np.bool_]

ENOUGH_PRINTS = 9
"""Below so many (spare) prints, the checks of bell shape and evenness give no verdict."""

SIMPLE_SCALES = {
    0.0: "logarithm",
    0.5: "square root",
    -1.0: "reciprocal",
    2.0: "square",
    -0.5: "reciprocal square root",
}
"""The first that the interval allows is advised."""

ASKED_BY = {
    "logarithm": 'scale = "log"',
    **{name: f"scale = {power:g}" for power, name in SIMPLE_SCALES.items() if power},
}

WIDE = 2.0
"""Largest over smallest value below which powers hardly differ (common practice, no source)."""


def outlier_check(surface: Surface) -> Check:
    """Check whether a print lies further off than chance explains: flagged, never dropped.

    Table: one row a run, furthest first: ``run``, ``value``, ``left_out``, ``miss``, ``studentised`` (externally),
    ``p`` (two-sided, times the number of prints after Bonferroni, at most 1), ``shift`` (how far the
    surface at the printed settings would move without it).

    Returns
    -------
    Check
    """
    surface = with_known_misses(surface)
    table = surface.observations
    df = surface.residual_df - 1
    t = table["studentised"].to_numpy(dtype=float)
    if df < 1 or np.isnan(t).all():
        return no_verdict(
            "outliers",
            "Whether a print stands out cannot be judged: there are too few spare prints.",
        )
    judged = int(np.sum(~np.isnan(t)))
    rows = pd.DataFrame(
        {
            "run": table["run"],
            "value": table["value"],
            "left_out": table["left_out"],
            "miss": table["value"] - table["left_out"],
            "studentised": t,
            "p": np.minimum(1.0, judged * 2 * stats.t.sf(np.abs(t), df)),
            "shift": largest_shifts(surface),
        }
    ).sort_values("studentised", key=abs, ascending=False, na_position="last", ignore_index=True)
    odd = rows[rows["p"] < EVIDENT]
    title = surface.stated.title
    if odd.empty:
        first = rows.iloc[0]
        return verdict(
            "outliers",
            True,
            rows,
            f"No print stands out in {title}; the furthest for its place, run {first['run']}, lies "
            f"{spread_words(surface, abs(first['miss']))} from what the others foretell.",
        )
    parts = [
        f"run {r['run']} gave {_apart(surface, r['value'], r['left_out'])} (without it the surface would move by up to "
        f"{spread_words(surface, r['shift'])})"
        for r in odd.to_dict("records")
    ]
    said = (
        f"In {title}, {listed(parts)}: further off than chance explains among {judged} prints. Look at "
        "the piece and its log again; it counts until you exclude it with a reason."
    )
    return verdict("outliers", False, rows, said)


def _apart(surface: Surface, value: float, left_out: float) -> str:
    # Say what a print gave and what the others foretell, in the unit of the response.
    gave, foretold = (float(v) for v in surface.scale.back([value, left_out]))
    unit, miss = surface.stated.unit, gave - foretold
    return (
        f"{amount(gave, unit, miss)} where the other prints foretell {amount(foretold, unit, miss)}"
    )


def influence_check(surface: Surface) -> Check:
    """Check whether the surface hangs on single prints.

    Table: one row a run, most influential first: ``run``, ``leverage``, ``cook`` (Cook's distance), ``shift`` (as
    for the outliers), ``pulls`` (whether it is named).

    Returns
    -------
    Check

    Notes
    -----
    A distance above the median of F(p, df) moves the coefficients to the edge of their 50 % region
    (Cook & Weisberg, Residuals and Influence in Regression, 1982, section 3.5). Corners of a lean plan
    reach it by their place alone, so a print is named only if it is off by more than chance explains
    among the prints that could pull so hard by missing two standard errors (5 %, Bonferroni).
    """
    surface = with_known_misses(surface)
    table = surface.observations
    leverage = table["leverage"].to_numpy(dtype=float)
    p, df = len(surface.coefficients), surface.residual_df
    cook = cook_distances(surface)
    able = distances_at_two_errors(surface) > stats.f.median(p, df)
    odd = 2 * stats.t.sf(np.abs(table["studentised"]), max(df - 1, 1)) * able.sum() < EVIDENT
    rows = pd.DataFrame(
        {
            "run": table["run"],
            "leverage": leverage,
            "cook": cook,
            "shift": largest_shifts(surface),
            "pulls": able & odd & (cook > stats.f.median(p, df)),
        }
    )
    rows = rows.sort_values("cook", ascending=False, na_position="first", ignore_index=True)
    alone = table.loc[1 - leverage <= ALONE, "run"].astype(str).tolist()
    said = _influence_words(rows, alone, surface)
    return verdict("influence", not alone and not rows["pulls"].any(), rows, said)


def _influence_words(rows: pd.DataFrame, alone: list[str], surface: Surface) -> str:
    title = surface.stated.title
    if alone:
        who = (
            f"run {alone[0]} alone decides"
            if len(alone) == 1
            else f"runs {listed(alone)} each decide alone"
        )
        return f"In {title}, {who} part of the surface: no other print can check it. Print such a setting again."
    strong = rows[rows["pulls"]]
    if len(strong):
        return (
            f"The surface of {title} hangs on {listed([f'run {run}' for run in strong['run']])}: leaving one out "
            f"would move it by up to {spread_words(surface, strong['shift'].max())}. Print that setting again before "
            "you rely on it."
        )
    furthest = rows.iloc[int(np.nanargmax(rows["shift"]))]
    return (
        f"Leaving out any one print moves the surface of {title} at the printed settings by at most "
        f"{spread_words(surface, furthest['shift'])} (run {furthest['run']}), no more than this plan and this scatter "
        "explain."
    )


def spread_check(surface: Surface) -> Check:
    """Check whether scatter grows or shrinks with the response.

    Table: ``lower_half``, ``upper_half`` (typical miss of the prints with low and with high fitted values,
    corrected for leverage), ``rank_correlation`` of the misses' sizes with the fitted values, ``p``.

    Returns
    -------
    Check
    """
    surface = with_known_misses(surface)
    table = surface.observations
    rest = 1 - table["leverage"].to_numpy(dtype=float)
    kept = rest > ALONE
    fitted = table["fitted"].to_numpy(dtype=float)[kept]
    even_size = np.abs(table["residual"].to_numpy(dtype=float)) * even_scale(surface)
    size = even_size[kept] / np.sqrt(rest[kept])
    if len(size) < ENOUGH_PRINTS or np.ptp(fitted) == 0 or np.ptp(size) == 0:
        return no_verdict(
            "spread", "There are too few prints to tell whether scatter is even over the range."
        )
    order = np.argsort(fitted, kind="stable")
    lower, upper = (float(np.sqrt(np.mean(size[half] ** 2))) for half in np.array_split(order, 2))
    rank = stats.spearmanr(size, fitted)
    row = {
        "lower_half": lower,
        "upper_half": upper,
        "rank_correlation": rank.statistic,
        "p": rank.pvalue,
    }
    unit, title = surface.response.unit, surface.response.title
    even = rank.pvalue >= STRIKING
    halves = f"prints typically miss by {amount(lower, unit)} where {title} is low and by {amount(upper, unit)} where it is high"
    said = (
        f"Scatter is about even: {halves}."
        if even
        else f"Scatter {'grows' if rank.statistic > 0 else 'shrinks'} with the response: {halves}, while one "
        "scatter is assumed for all. Chances are too good at one end and too poor at the other."
        + _way_to_model(surface, even_size, kept)
    )
    if surface.spread is not None:
        said = f"Beside the scatter modelled by setting: {said[:1].lower()}{said[1:]}"
    return verdict("spread", even, pd.DataFrame([row]), said)


def _way_to_model(surface: Surface, size: FloatArray, kept: BoolArray) -> str:
    # Name the key that has scatter modelled, with the setting that it goes with most.
    taken = surface.mixed is not None or surface.weights is not None or not surface.scale.is_plain
    if taken or surface.selection is not None or surface.residual_df < 2 * SPARE_FOR_EACH:
        return ""
    rank = {
        factor.name: abs(
            stats.spearmanr(size[kept], surface.observations[factor.name][kept]).statistic
        )
        for factor in surface.coding.continuous
        if np.ptp(surface.observations[factor.name][kept]) > 0
    }
    if not rank:
        return ""
    name = max(rank, key=lambda n: rank[n])
    return f' To have scatter depend on a setting, write spread = ["{name}"] in this [[response]].'


def normality_check(surface: Surface) -> Check:
    """Check whether the misses are bell-shaped (Shapiro-Wilk). Table: ``W``, ``p``, ``prints``.

    Returns
    -------
    Check
        Without verdict when few prints are spare: the misses of a lean plan are mixtures of all
        errors, and look bell-shaped or odd for reasons of the plan alone.
    """
    surface = with_known_misses(surface)
    residuals = surface.observations["residual"].to_numpy(dtype=float) * even_scale(surface)
    title = surface.response.title
    if surface.residual_df < ENOUGH_PRINTS or np.ptp(residuals) == 0:
        return no_verdict(
            "normality",
            f"Too few spare prints to tell whether the misses of {title} are bell-shaped.",
        )
    found = pingouin.normality(residuals, method="shapiro").iloc[0]
    p = float(found["pval"])
    table = pd.DataFrame([{"W": float(found["W"]), "p": p, "prints": len(residuals)}])
    said = (
        f"The misses of {title} look bell-shaped enough."
        if p >= STRIKING
        else f"The misses of {title} are not bell-shaped: chances close to a limit are rougher than they look."
    )
    return verdict("normality", p >= STRIKING, table, said)


def scale_check(surface: Surface) -> Check:
    """Check whether another scale of the response fits better. Table: ``power``, ``low``, ``high`` (99 %).

    Returns
    -------
    Check
    """
    y = surface.observations["value"].to_numpy(dtype=float)
    title, unit = surface.response.title, surface.response.unit
    if not surface.scale.is_plain and surface.weights is None:
        return chosen_scale_check(surface)
    if surface.weights is not None:
        return no_verdict(
            "scale",
            f"No other scale of {title} was tried, since its prints do not weigh alike in the fit.",
        )
    if y.min() <= 0:
        return no_verdict(
            "scale", f"{title.capitalize()} has values at or below 0, so no other scale was tried."
        )
    # Groups of prints count as a fixed set here, so that the scale is judged by the scatter inside them.
    groups = () if surface.mixed is None else map(indicator, surface.mixed.groups)
    design = np.column_stack([surface.design, *groups])
    found = box_cox(design, y, confidence=1 - STRIKING, residual_df=surface.residual_df)
    table = pd.DataFrame([{"power": found.power, "low": found.low, "high": found.high}])
    if found.low <= 1 <= found.high:
        return verdict(
            "scale", True, table, f"No other scale of {title} fits clearly better than its own."
        )
    if y.max() < WIDE * y.min():
        said = f"The prints span too little of {title} for another scale to matter ({span(y.min(), y.max(), unit)})."
        return Check("scale", None, table, said)
    simple = [name for power, name in SIMPLE_SCALES.items() if found.low <= power <= found.high]
    better = f"the {simple[0]}" if simple else f"the power {rounded(found.power)}"
    way = ASKED_BY.get(simple[0], "") if simple else 'scale = "power"'
    said = (
        f"The model would fit {title} more evenly on another scale: {better} of it. As it stands, limits are too "
        f"narrow at one end of the range and too wide at the other. To fit it so, write {way} under this response."
    )
    return verdict("scale", False, table, said)
