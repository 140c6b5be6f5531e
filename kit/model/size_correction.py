"""Several sizes of one kind: how much of their deviation grows with the size, and how much is the same for all.

Deviation = constant + scale x nominal, worked out for every print and then fitted over the settings as any response is: sizes of one
print share its fate, so prints and not sizes are what the doubt is judged by.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt

import numpy as np
import pandas as pd
from scipy import stats

from kit.bench.measured import Measured
from kit.errors import ModelError
from kit.model.fit import fit_surface
from kit.model.predict import predict
from kit.model.surface import Surface
from kit.study.data import StudyData
from kit.study.description import Response
from kit.words import conversion

HOLE = "hole"
FEWEST_PRINTS = 3
Settings = Mapping[str, float | str]


@dataclass(frozen=True)
class Limits:
    """An estimate with its two-sided 95 % limits."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class SizeCorrection:
    """Scale and constant of the sizes of one feature.

    Attributes
    ----------
    feature : str
        ``x``, ``y``, ``z`` or ``wall``; holes have allowances of their own.
    nominals : tuple of float
        Drawn sizes, mm.
    scale : Limits
        A number: 0.002 = sizes come out 0.2 % too large, besides the constant.
    constant : Limits
        mm, the same for every size.
    at_settings : bool
        Whether it holds at the settings asked for; else it is the mean over the prints.
    bend : float or None
        SD of the sizes' mean deviations around the line, mm; None with two sizes, which always lie on one.
    prints : int
    """

    feature: str
    nominals: tuple[float, ...]
    scale: Limits
    constant: Limits
    at_settings: bool
    bend: float | None
    prints: int

    @property
    def enter_scale(self) -> Limits:
        """What to scale a drawing by, so that sizes come out right but for the constant: 1 / (1 + scale)."""
        s = self.scale
        return Limits(1 / (1 + s.value), 1 / (1 + s.high), 1 / (1 + s.low))


@dataclass(frozen=True)
class HoleAllowance:
    """How much larger to draw a hole so that it comes out right, mm."""

    response: str
    nominal: float
    allowance: Limits
    at_settings: bool


def size_corrections(
    data: StudyData, measured: Mapping[str, Measured], settings: Settings | None = None
) -> tuple[SizeCorrection, ...]:
    """Work out scale and constant of every feature that was measured at two nominals or more.

    Parameters
    ----------
    data : StudyData
        For runs and model terms.
    measured : mapping of response name to Measured
        Results of the bench.
    settings : mapping of factor name to setting, optional
        Where the corrections shall hold; None, or a model that cannot be fitted, gives the mean over all prints.

    Returns
    -------
    tuple of SizeCorrection
        In the order of the study; features with fewer than three prints that have all sizes are left out.
    """
    found = []
    for feature, group in _features(data, measured).items():
        wide = _deviations(group)
        nominals = np.array([_in_mm(m.response, m.response.nominal or 0.0) for m in group])
        if len(wide) < FEWEST_PRINTS:
            continue
        X = np.column_stack([np.ones_like(nominals), nominals])
        lines = wide.to_numpy() @ np.linalg.pinv(X).T  # constant and slope of every print
        constant, at = _at(data, wide.index, lines[:, 0], settings)
        scale, _ = _at(data, wide.index, lines[:, 1], settings)
        off = wide.to_numpy().mean(axis=0)
        rest = off - X @ (np.linalg.pinv(X) @ off)
        spare = len(set(nominals.tolist())) - 2
        bend = sqrt(float(rest @ rest) / spare) if spare > 0 else None
        found.append(
            SizeCorrection(feature, tuple(nominals.tolist()), scale, constant, at, bend, len(wide))
        )
    return tuple(found)


def hole_allowances(
    data: StudyData, measured: Mapping[str, Measured], settings: Settings | None = None
) -> tuple[HoleAllowance, ...]:
    """Give for each hole how much larger to draw it, smallest diameter first; there is no one number for all.

    Parameters
    ----------
    data : StudyData
        For runs and model terms.
    measured : mapping of response name to Measured
        Results of the bench.
    settings : mapping of factor name to setting, optional
        As for `size_corrections`.

    Returns
    -------
    tuple of HoleAllowance
    """
    found = []
    for name, result in measured.items():
        if result.response.feature != HOLE or len(result.prints) < FEWEST_PRINTS:
            continue
        deviations = _deviations([result]).iloc[:, 0]
        limits, at = _at(data, deviations.index, deviations.to_numpy(), settings)
        nominal = _in_mm(result.response, result.response.nominal or 0.0)
        allowance = Limits(-limits.value, -limits.high, -limits.low)
        found.append(HoleAllowance(name, nominal, allowance, at))
    return tuple(sorted(found, key=lambda h: h.nominal))


def _features(data: StudyData, measured: Mapping[str, Measured]) -> dict[str, list[Measured]]:
    groups: dict[str, list[Measured]] = {}
    for response in data.study.responses:
        if response.feature not in ("", HOLE) and response.name in measured:
            groups.setdefault(response.feature, []).append(measured[response.name])
    return {
        feature: group
        for feature, group in groups.items()
        if len({_in_mm(m.response, m.response.nominal or 0.0) for m in group}) > 1
    }


def _deviations(group: list[Measured]) -> pd.DataFrame:
    """Give print means in mm, one row a print that has all sizes, one column a response."""
    columns = {
        m.response.name: m.prints.set_index("run")["value"] * _in_mm(m.response, 1.0) for m in group
    }
    return pd.DataFrame(columns).dropna()


def _in_mm(response: Response, value: float) -> float:
    return value * (conversion(response.unit, "mm") or 1.0)


def _at(
    data: StudyData, runs: pd.Index, values: np.ndarray, settings: Settings | None
) -> tuple[Limits, bool]:
    """Give a number a print at the settings asked for, by the study's own model, else its mean over the prints."""
    fitted = data.runs.loc[data.runs["round"] != "confirmation", "run"]
    kept = np.isin(runs, fitted)
    surface = _fitted(data, runs[kept], values[kept]) if settings is not None else None
    if surface is not None and settings is not None:
        row = predict(surface, settings, extrapolate=True).iloc[0]
        return Limits(float(row["estimate"]), float(row["low"]), float(row["high"])), True
    mean, n = float(values.mean()), len(values)
    half = float(stats.t.ppf(0.975, n - 1)) * float(values.std(ddof=1)) / sqrt(n)
    return Limits(mean, mean - half, mean + half), False


def _fitted(data: StudyData, runs: pd.Index, values: np.ndarray) -> Surface | None:
    prints = pd.DataFrame({"run": runs, "value": values, "specimens": 1, "readings": 1})
    pieces = prints.assign(specimen="1", u_repeat=np.nan, flags="")
    try:
        return fit_surface(Measured(Response(name="size"), pieces, prints), data.runs, data.study)
    except ModelError:
        return None
