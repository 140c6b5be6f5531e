"""Foretell what a setting gives: the mean, a new print, or one new part, with its limits.

Outside the tried region nothing is foretold unless asked for.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import stats

from kit.bench.uncertainty import satterthwaite_df
from kit.errors import ExtrapolationError
from kit.model.small_sample import future_variance
from kit.model.surface import Surface
from kit.saying import counted, listed, setting
from kit.terms import FloatArray

What = Literal["mean", "print", "part"]


def predict(
    surface: Surface,
    settings: pd.DataFrame | Mapping[str, Any],
    *,
    what: What | Literal["average"] = "mean",
    confidence: float = 0.95,
    extrapolate: bool = False,
) -> pd.DataFrame:
    """Foretell a response at given settings.

    Parameters
    ----------
    surface : Surface
        The fitted surface.
    settings : DataFrame, or mapping of factor name to one setting or several
        Natural units; every factor of the study.
    what : {"mean", "print", "part", "average"}, default "mean"
        The average over many prints; the mean of one new print (of as many specimens as the prints
        of the study had); or one new part. Where the study asks for another scale than the one measured on, ``mean`` is
        the typical (middle) print, and ``average`` the average over many; otherwise the two are the same.
    confidence : float, default 0.95
        Strictly between 0 and 1; the limits are two-sided and hold for each row by itself.
    extrapolate : bool, default False
        Answer outside the tried region too; such rows have ``tried`` False.

    Returns
    -------
    DataFrame
        The factor columns, then ``estimate``, ``std_error``, ``df``, ``low``, ``high``, ``tried``.
        With fixed blocks it speaks of an average block, with random ones of a future block. On another scale
        estimate and limits are taken back into the unit of the response: the estimate is the median, the limits are
        not symmetric and may be a bound of the scale (0, infinity), and ``std_error`` is that of the delta method.

    Raises
    ------
    ExtrapolationError
        If a setting lies outside the tried region and ``extrapolate`` is False.
    ValueError
        If a factor is missing, a level is unknown, a setting is no finite number, or ``what`` or
        ``confidence`` is not allowed.

    Examples
    --------
    ``predict(surface, {"nozzle": [205, 215], "speed": 60}, what="part")``
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie in 0 to 1, got {confidence!r}; write 95 % as 0.95.")
    table = _settings_table(surface, settings)
    coded = surface.code({name: table[name] for name in surface.coding.names})
    tried = surface.tried.contains(coded)
    if not extrapolate and not tried.all():
        raise ExtrapolationError(_untried_text(surface, table.iloc[int(np.argmin(tried))]))
    estimate, scale, df = distribution(surface, coded, "mean" if what == "average" else what)
    half = stats.t.ppf((1 + confidence) / 2, df) * scale
    back = partial(average_of, surface, coded) if what == "average" else surface.scale.back
    return table.assign(
        estimate=back(estimate),
        std_error=surface.scale.sd_in_unit(scale, surface.scale.back(estimate)),
        df=df,
        low=back(estimate - half),
        high=back(estimate + half),
        tried=tried,
    )


def average_of(surface: Surface, coded: FloatArray, values: FloatArray) -> FloatArray:
    """Give the average of many new prints whose fitted mean is known.

    On another scale than the one measured on the middle print is not the average print: where single prints can be far
    above, the average lies above the middle.

    Parameters
    ----------
    surface : Surface
        Gives the scale and the scatter of print means.
    coded : array, shape (m, n_factors)
        Coded settings.
    values : array, shape (m,)
        Means on the fitted scale.

    Returns
    -------
    array, shape (m,)
        In the unit of the response; ``values`` themselves where it is fitted as measured.

    Notes
    -----
    Logarithm: exp(m + s2/2), the mean of a lognormal, s2 the variance of a print at the setting, random groups included. Other scales: the average
    over the residuals, each added to the mean and taken back (smearing; Duan 1983, J. Am. Stat. Assoc. 78, 605-610), the
    residuals enlarged to the scatter of a new print.
    """
    scale = surface.scale
    if scale.is_plain:
        return values
    variance = (
        distribution(surface, coded, "print")[1] ** 2 - distribution(surface, coded, "mean")[1] ** 2
    )
    if scale.kind == "log":
        return np.asarray(scale.back(values + variance / 2))
    residuals = surface.observations["residual"].to_numpy(dtype=float)
    spread = np.sqrt(np.mean(residuals**2))
    moved = residuals / spread if spread > 0 else residuals
    return np.asarray(scale.back(values[:, None] + np.sqrt(variance)[:, None] * moved).mean(axis=1))


def distribution(
    surface: Surface, coded: FloatArray, what: What
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give location, scale and degrees of freedom of Student's t at coded settings.

    Parameters
    ----------
    surface : Surface
        The fitted surface.
    coded : array, shape (n, n_factors)
        Coded settings.
    what : {"mean", "print", "part"}
        As for `predict`.

    Returns
    -------
    location, scale, df : arrays, shape (n,)
        In the unit of the response, or on the fitted scale; no check of the tried region.

    Raises
    ------
    ValueError
        If ``what`` is none of the three.

    Notes
    -----
    mean: x'Vx. print: x'Vx + s2. part: x'Vx + s2 + s2_specimen (1 - 1/m), since s2 is the scatter of
    print means that average m specimens; degrees of freedom by Welch-Satterthwaite, those of s2
    where m = 1. A mixed model adds the variances of its random groups to print and part, which then
    speak of a new group of each kind; x'Vx and degrees of freedom after Kenward and Roger. Where scatter is
    modelled by setting, s2 is that of the setting, with degrees of freedom after Satterthwaite.
    """
    if what not in ("mean", "print", "part"):
        raise ValueError(f"what must be mean, print or part, got {what!r}.")
    if surface.success is not None:  # what a part passes or fails: `kit.model.pass_fail`
        return surface.mean(coded), np.ones(len(coded)), np.full(len(coded), np.inf)
    rows = surface.rows(coded)
    mean = rows @ surface.coefficients
    variance = np.sum((rows @ surface.covariance) * rows, axis=1)
    df = surface.row_df(rows)
    if what == "mean":
        return mean, np.sqrt(variance), df
    if surface.mixed is None:
        variance = variance + surface.print_variance(coded)
        if surface.spread is not None:
            df = surface.spread.future_df(rows, coded)
    else:
        future = future_variance(surface.mixed.small, rows)
        variance, df = future.variance, future.df
    below = (surface.specimen_variance or 0.0) * (1 - 1 / surface.specimens_per_print)
    if what == "part" and below > 0:
        df = satterthwaite_df([variance, below], [df, surface.specimen_df])
        variance = variance + below
    return mean, np.sqrt(variance), df


def part_distribution(
    surface: Surface, coded: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give location, scale and degrees of freedom for one new part: ``distribution`` with "part".

    Returns
    -------
    location, scale, df : arrays, shape (n,)
    """
    return distribution(surface, coded, "part")


def _settings_table(surface: Surface, settings: pd.DataFrame | Mapping[str, Any]) -> pd.DataFrame:
    # Give the settings as a table of the study's factors, one row each, checked.
    names = surface.coding.names
    lacking = [name for name in names if name not in settings]
    if lacking:
        raise ValueError(f"settings lack {listed(lacking)}; give all of {listed(names)}.")
    columns = {name: np.atleast_1d(np.asarray(settings[name])) for name in names}
    lengths = {len(column) for column in columns.values()} - {1}
    if len(lengths) > 1:
        raise ValueError(f"settings have different lengths: {listed(map(str, sorted(lengths)))}.")
    n = lengths.pop() if lengths else 1
    for factor in surface.coding.continuous:
        values = np.asarray(columns[factor.name], dtype=float)
        if not np.isfinite(values).all():
            raise ValueError(f"{factor.name}: a setting is missing or no finite number.")
        columns[factor.name] = values
    return pd.DataFrame({name: np.broadcast_to(c, (n,)).copy() for name, c in columns.items()})


def _untried_text(surface: Surface, row: pd.Series) -> str:
    # Say which setting of a row was never tried, and what was.
    seen = surface.coding.decode(surface.tried.points)
    end = "Ask with extrapolate=True to see a guess, marked as such."
    for factor in surface.coding.factors:
        value, unit = row[factor.name], surface.factor_units.get(factor.name, "")
        if factor.is_category:
            tried = [x for x in factor.levels if x in set(seen[factor.name])]
            if str(value) not in tried:
                return f"{factor.name} {value} was not printed; printed were {listed(tried)}. {end}"
            continue
        low, high = float(np.min(seen[factor.name])), float(np.max(seen[factor.name]))
        slack = 1e-7 * factor.half_range
        if not low - slack <= value <= high + slack:
            side = "below" if value < low else "above"
            return (
                f"{factor.name} {setting(value, unit)} is {side} the printed range "
                f"{setting(low)} to {setting(high, unit)}. {end}"
            )
    parts = [
        f"{name} {setting(row[name], surface.factor_units.get(name, ''))}"
        for name in surface.coding.names
    ]
    printed = counted(len(np.unique(surface.tried.points, axis=0)), "printed setting")
    return (
        f"{listed(parts)}: each was tried, but not together; the combination lies outside what the "
        f"{printed} enclose. {end}"
    )
