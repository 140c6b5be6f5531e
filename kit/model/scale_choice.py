"""Put the prints of a response on the scale that the study asks for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from math import floor, log10

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.bench.measured import Measured
from kit.errors import ModelError
from kit.model.boxcox import box_cox
from kit.model.reduction import indicator
from kit.model.scale import AS_MEASURED, Scale
from kit.saying import amount
from kit.study.description import Response
from kit.terms import FloatArray

SIMPLE_POWERS = (-2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0)
"""A power found from the prints is rounded to the nearest of these inside its interval."""


def choose_scale(
    response: Response,
    used: pd.DataFrame,
    design: FloatArray,
    groups: Mapping[str, npt.NDArray[np.int64]],
) -> Scale:
    """Give the scale of a response, with its power found where the study leaves that to the prints.

    Parameters
    ----------
    response : Response
        As the study states it.
    used : DataFrame
        The n prints of the fit: ``run``, ``value``.
    design : array, shape (n, p)
        Model matrix.
    groups : mapping of name to numbered groups
        Random groups; they count as a fixed set while a power is found.

    Returns
    -------
    Scale

    Raises
    ------
    ModelError
        If a value lies outside of the scale: run, value and remedy are named.

    Notes
    -----
    ``power``: Box & Cox 1964 by profile likelihood, its 95 % interval by the residual degrees of freedom. Where 1 lies inside
    the response stays as measured, since the prints do not call for more; else the power is rounded to the nearest
    simple one inside the interval, as is usual so that the scale can be named; where none lies inside, to a tenth.
    """
    asked, y = response.scale, used["value"].to_numpy(dtype=float)
    if asked in ("as_measured", 1.0):
        return AS_MEASURED
    if asked == "share":
        _refuse_outside(response, used, y, *response.share_bounds)
        at_bound = bool(np.isin(y, response.share_bounds).any())
        return Scale("share", bounds=response.share_bounds, shrunk=len(y) if at_bound else 0)
    _refuse_not_positive(response, used, y)
    if asked == "log":
        return Scale("log", power=0.0)
    if asked != "power":
        return _of_power(float(asked), y)
    design = np.column_stack([design, *map(indicator, groups.values())])
    spare = len(y) - int(np.linalg.matrix_rank(design))
    found = box_cox(design, y, residual_df=max(spare, 1))
    interval = (found.low, found.high)
    return replace(_of_power(_simple(found.power, interval), y), interval=interval)


def _of_power(power: float, y: FloatArray) -> Scale:
    if power == 1:
        return AS_MEASURED
    if power == 0:
        return Scale("log", power=0.0)
    middle = float(np.exp(np.mean(np.log(y))))
    return Scale("power", power=power, reference=round(middle, -floor(log10(middle))))


def _simple(power: float, interval: tuple[float, float]) -> float:
    if interval[0] <= 1 <= interval[1]:
        return 1.0
    inside = [p for p in SIMPLE_POWERS if interval[0] <= p <= interval[1]]
    if inside:
        return min(inside, key=lambda p: abs(p - power))
    tenth = round(power, 1)
    return tenth if interval[0] <= tenth <= interval[1] else power


def on_scale(measured: Measured, scale: Scale, runs: Iterable[str]) -> Measured:
    """Give results on another scale: print means moved, variances below them by the delta method.

    Parameters
    ----------
    measured : Measured
        In the unit of the response.
    scale : Scale
        Where to.
    runs : iterable of str
        The prints of the fit: at their means the slope of the scale is taken.

    Returns
    -------
    Measured
        ``measured`` itself where the scale is the one measured on. Its ``specimens`` stay in the unit of the response.

    Notes
    -----
    Specimens are averaged before the scale is changed, so the print mean keeps its meaning. What specimens of a print
    scatter is taken at each print by itself (its own sum of squares times the squared slope at its mean), so that
    scatter that grows with the response comes out even on a scale that evens it.
    """
    if scale.is_plain:
        return measured
    prints = measured.prints.assign(value=scale.forward(measured.prints["value"]))
    mine = measured.prints[measured.prints["run"].isin(list(runs))]
    slopes = pd.Series(scale.slope(mine["value"]), index=mine["run"].to_numpy()) ** 2
    even = float(slopes.mean())
    within = even if measured.specimen_variance is None else _within(measured.specimens, slopes)
    specimen, repeat = measured.specimen_variance, measured.repeat_variance
    return replace(
        measured,
        response=scale.requirement(measured.response),
        prints=prints,
        specimen_variance=None if specimen is None else specimen * within,
        repeat_variance=None if repeat is None else repeat * even,
        u_correction=measured.u_correction * even**0.5,
    )


def _within(specimens: pd.DataFrame, slopes: pd.Series) -> float:
    # Weigh the squared slope at each print by what its specimens scatter.
    squares = specimens.groupby("run")["value"].agg(lambda v: float(np.sum((v - v.mean()) ** 2)))
    squares = squares.reindex(slopes.index).fillna(0.0)
    total = float(squares.sum())
    return float((squares * slopes).sum()) / total if total > 0 else float(slopes.mean())


def as_measured(measured: Measured) -> Measured:
    """Give results that are to be judged as they were measured, whatever scale the study asks for."""
    if measured.response.scale == "as_measured":
        return measured
    plain = measured.response.model_copy(update={"scale": "as_measured"})
    return replace(measured, response=plain)


def _refuse_not_positive(response: Response, used: pd.DataFrame, y: FloatArray) -> None:
    if y.min() > 0:
        return
    run, value = used["run"].iloc[int(y.argmin())], float(y.min())
    wanted = f'"{response.scale}"' if isinstance(response.scale, str) else f"{response.scale:g}"
    raise ModelError(
        f"run {run} gave {amount(value, response.unit, 1.0)}, but scale = {wanted} needs values above 0. Look at its readings; if "
        "they are right, delete scale under this response, or take a scale for shares between two bounds: "
        'scale = "share".'
    )


def _refuse_outside(
    response: Response, used: pd.DataFrame, y: FloatArray, low: float, high: float
) -> None:
    outside = np.flatnonzero((y < low) | (y > high))
    if not len(outside):
        return
    run, value = used["run"].iloc[int(outside[0])], float(y[outside[0]])
    raise ModelError(
        f"run {run} gave {amount(value, response.unit, 1.0)}, outside of the bounds {low:g} to {high:g} that no value can pass. Look "
        "at its readings; if they are right, write bounds = [lowest, highest] possible under this response."
    )
