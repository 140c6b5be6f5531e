"""Compare levels of a category: spools, colours, blends, printers. The print is the unit.

Where the category is all that was varied, each level keeps a scatter of its own (Welch; Games & Howell);
beside other settings, blocks or several spools a level the comparison comes from the fitted surface.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pingouin
from scipy import stats

from kit.bench.measured import Measured
from kit.errors import ModelError
from kit.model.anova import anova_terms
from kit.model.effects import level_means
from kit.model.fit import CONFIRMATION, fit_surface
from kit.model.pairs import INTERVAL, Pair, differences, own_shares, pair_places
from kit.model.plainly import taken_plainly
from kit.model.scale_choice import as_measured
from kit.model.surface import Surface
from kit.saying import counted, listed
from kit.study.description import Study

OWN_SCATTER = "each level with its own scatter (Welch)"
FEWEST = 2


COMPARED_AS_MEASURED = (
    "The study fits {title} on another scale; levels are compared as measured, since a margin is a difference in the unit. Where "
    "scatter grows with the value, differences between high levels are less sure than they look."
)


@dataclass(frozen=True)
class Comparison:
    """The levels of one category compared in one response.

    Attributes
    ----------
    factor : str
    levels : DataFrame
        One row a level: ``level``, ``prints``, ``estimate`` (mean), ``std_error``, ``df``, ``low``, ``high`` (95 %),
        ``sd`` (of its own prints; missing where other settings moved them).
    pairs : tuple of Pair
        All pairs, or each level against the reference.
    against : str
        The reference level; empty where all pairs are compared.
    F, df, p : float, (float, float), float
        Evidence that the levels differ at all.
    method : str
        In words.
    sd : float
        Scatter of prints at one level, pooled.
    group_sds : mapping of str to float
        Scatter between blocks and other random groups.
    surface : Surface or None
        Where the comparison comes from a surface.
    margin : float or None
    notes : tuple of str
    nested : str
        A random group of which each level has several of its own, such as ``spool``; empty without.
    prints_per_group : float
        Prints of each such group, on average.
    """

    factor: str
    levels: pd.DataFrame
    pairs: tuple[Pair, ...]
    against: str
    F: float
    df: tuple[float, float]
    p: float
    method: str
    sd: float
    group_sds: dict[str, float]
    surface: Surface | None
    margin: float | None
    notes: tuple[str, ...]
    nested: str = ""
    prints_per_group: float = 1.0


def compare_levels(
    measured: Measured, runs: pd.DataFrame, study: Study, factor: str, *, against: str = ""
) -> Comparison:
    """Compare the levels of one category in one response.

    Parameters
    ----------
    measured : Measured
        Print means of the response; its ``margin`` is the equivalence margin.
    runs : DataFrame
        The runs table.
    study : Study
        Which other settings, blocks and random groups there are.
    factor : str
        The category.
    against : str, optional
        Compare each level with this one only; all pairs by default.

    Returns
    -------
    Comparison

    Raises
    ------
    ModelError
        If the factor is no category, a level has too few prints, or the model cannot be fitted.
    """
    asked, measured = measured.response.scale, as_measured(measured)
    category = _category(study, factor, against)
    used = _prints(measured, runs)
    present = [level for level in category if (used[factor] == level).any()]
    _refuse_few(used, factor, present, measured)
    study, notes = _without_groups_of_one_level(study, used, factor, present)
    measured, study, plain = taken_plainly(measured, study)
    notes = (*notes, *plain)
    if asked != "as_measured":
        notes = (*notes, COMPARED_AS_MEASURED.format(title=measured.response.title))
    alone = len(study.factors) == 1 and len(set(used["block"])) == 1 and not study.model.random
    if against and against not in present:
        raise ModelError(
            f"{against} has no printed run with a result, so nothing can be compared with it."
        )
    if alone:
        return _by_welch(measured, used, factor, present, against, notes)
    return _by_surface(measured, runs, study, factor, present, against, notes)


def _by_welch(
    measured: Measured,
    used: pd.DataFrame,
    factor: str,
    present: Sequence[str],
    against: str,
    notes: tuple[str, ...],
) -> Comparison:
    groups = used.groupby(factor)["value"]
    n, mean, sd = (
        getattr(groups, how)()[list(present)].to_numpy(float) for how in ("count", "mean", "std")
    )
    if (sd == 0).any():
        level = present[int(np.argmin(sd))]
        raise ModelError(
            f"all prints of {level} gave the same value, so its scatter cannot be judged. Read with a finer instrument."
        )
    variance = sd**2 / n
    half = stats.t.ppf((1 + INTERVAL) / 2, n - 1) * np.sqrt(variance)
    levels = pd.DataFrame(
        {
            "level": present,
            "prints": n.astype(int),
            "estimate": mean,
            "std_error": np.sqrt(variance),
        }
        | {"df": n - 1, "low": mean - half, "high": mean + half, "sd": sd}
    )
    places = pair_places(present, against)
    i, j = places.T
    error = np.sqrt(variance[i] + variance[j])
    df = (variance[i] + variance[j]) ** 2 / (
        variance[i] ** 2 / (n[i] - 1) + variance[j] ** 2 / (n[j] - 1)
    )
    overall = pingouin.welch_anova(data=used, dv="value", between=factor).iloc[0]
    pooled = float(np.sqrt(((n - 1) * sd**2).sum() / (n - 1).sum()))
    return Comparison(
        factor=factor,
        levels=levels,
        pairs=differences(
            present,
            places,
            mean[j] - mean[i],
            error,
            df,
            variance[i] / error**2,
            margin=measured.response.margin,
            against_one=bool(against),
        ),
        against=against,
        F=float(overall["F"]),
        df=(float(overall["ddof1"]), float(overall["ddof2"])),
        p=float(overall["p_unc"]),
        method=OWN_SCATTER,
        sd=pooled,
        group_sds={},
        surface=None,
        margin=measured.response.margin,
        notes=(*notes, *_unequal(levels)),
    )


def _by_surface(
    measured: Measured,
    runs: pd.DataFrame,
    study: Study,
    factor: str,
    present: Sequence[str],
    against: str,
    notes: tuple[str, ...],
) -> Comparison:
    surface = fit_surface(measured, runs, study)
    means = level_means(surface, factor)
    order = [surface.coding[factor].levels.index(level) for level in present]
    rows = means.rows[order]
    used = _prints(measured, runs)
    inside = [g for g in surface.variance.groups if _is_nested(used, g, factor)]
    nested = inside[0] if inside else ""
    levels = means.table.iloc[order].reset_index(drop=True)
    levels.insert(1, "prints", [int((used[factor] == level).sum()) for level in present])
    levels["sd"] = np.nan
    places = pair_places(present, against)
    i, j = places.T
    contrast = rows[j] - rows[i]
    error = np.sqrt(np.sum((contrast @ surface.covariance) * contrast, axis=1))
    table = anova_terms(surface).set_index("term")
    test = table.loc[[factor]].to_dict("records")[0]
    groups = dict(surface.variance.groups)
    if surface.variance.block is not None:
        groups["block"] = surface.variance.block
    estimate = contrast @ surface.coefficients
    share = own_shares(rows, surface.covariance, places)
    return Comparison(
        factor=factor,
        levels=levels,
        pairs=differences(
            present,
            places,
            estimate,
            error,
            surface.row_df(contrast),
            share,
            margin=measured.response.margin,
            against_one=bool(against),
        ),
        against=against,
        F=float(test["F"]),
        df=(float(test["df"]), float(test["residual_df"])),
        p=float(test["p"]),
        method=surface.method,
        sd=float(np.sqrt(surface.residual_variance)),
        group_sds={name: float(np.sqrt(v)) for name, v in groups.items()},
        surface=surface,
        margin=measured.response.margin,
        notes=(*notes, *_averaged_over(table, factor, study), *surface.notes),
        nested=nested,
        prints_per_group=len(used) / used[nested].nunique() if nested else 1.0,
    )


def _category(study: Study, factor: str, against: str) -> tuple[str, ...]:
    names = [f.name for f in study.factors if f.is_category]
    if factor not in names:
        there = listed(names) if names else "none"
        raise ModelError(
            f"{factor!r} is no category of this study, so it has no levels to compare; categories: {there}."
        )
    levels = study.factor_named(factor).levels
    if against and against not in levels:
        raise ModelError(f"{factor} has no level {against!r}; levels are {listed(levels)}.")
    return levels


def _prints(measured: Measured, runs: pd.DataFrame) -> pd.DataFrame:
    usable = (runs["status"] == "printed") & (runs["round"] != CONFIRMATION)
    return runs[usable].merge(measured.prints[["run", "value"]], on="run", validate="one_to_one")


def _refuse_few(
    used: pd.DataFrame, factor: str, present: Sequence[str], measured: Measured
) -> None:
    few = [level for level in present if (used[factor] == level).sum() < FEWEST]
    if len(present) < 2:
        raise ModelError(
            f"{measured.response.title}: prints of two levels of {factor} are needed to compare them, found "
            f"{counted(len(present), 'level')} with results."
        )
    if few:
        raise ModelError(
            f"{measured.response.title}: {listed(few)} {'has' if len(few) == 1 else 'have'} only one print with a result, so what "
            "prints alike differ by cannot be judged. Print each level at least twice, better three times; pieces and "
            "readings of one print do not count as prints."
        )


def _without_groups_of_one_level(
    study: Study, used: pd.DataFrame, factor: str, present: Sequence[str]
) -> tuple[Study, tuple[str, ...]]:
    # Take out random groups of which each level has but one: they cannot be told from the level.
    notes: list[str] = []
    kept = []
    several = False
    for group in study.model.random:
        per_level = used.groupby(factor)[group].nunique().reindex(list(present))
        nested = _is_nested(used, group, factor)
        if nested and (per_level == 1).all():
            notes.append(
                f"Each {factor} came from one {group}, so this speaks of these {group}s: what two {group}s of one {factor} "
                "differ by is not known, and may be as much."
            )
            continue
        several |= nested and bool((per_level > 1).all())
        kept.append(group)
    if not study.model.random and not several:
        notes.append(
            f"As far as the tables say each {factor} stands for one spool (or one piece of equipment), so this speaks of "
            f"these, not of all that bear the name."
        )
    return study.model_copy(
        update={"model": study.model.model_copy(update={"random": tuple(kept)})}
    ), tuple(notes)


def _is_nested(used: pd.DataFrame, group: str, factor: str) -> bool:
    # A group that holds prints of several levels (a day, a printer) is crossed with them.
    return bool((used.groupby(group)[factor].nunique() < 2).all())


def _unequal(levels: pd.DataFrame) -> tuple[str, ...]:
    sd = levels.set_index("level")["sd"]
    if sd.max() < 2 * sd.min():
        return ()
    said = (
        f"Prints of {sd.idxmax()} scatter {sd.max() / sd.min():.1f} times as much as those of {sd.idxmin()}; each level is judged by its own "
        "scatter, so that does no harm."
    )
    return (said,)


def _averaged_over(table: pd.DataFrame, factor: str, study: Study) -> tuple[str, ...]:
    # Say over what a difference is averaged, and whether it depends on it.
    notes = []
    for name, p in table["p"].items():
        parts = [part.split("^")[0] for part in str(name).split(":")]
        others = [part for part in parts if part != factor]
        if factor not in parts or not others:
            continue
        category = study.factor_named(others[0]).is_category
        where = "averaged over the levels" if category else "those in the middle of the range"
        depend = "and depend" if p < 1 - INTERVAL else "and do not clearly depend"
        notes.append(
            f"Differences by {factor} are {where} of {listed(others)}, {depend} on it (p = {p:.2g})."
        )
    return tuple(notes)
