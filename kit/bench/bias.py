"""What an instrument shows against what is true: a straight line, its doubt, and the correction of readings.

Reading minus true value is taken as constant + slope x (true value - their mean), fitted by least squares to all readings of
references (gauge blocks, drill shanks, masses, a gloss tile); the doubt of a corrected reading is a budget after the GUM.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
import pandas as pd
from scipy import stats

from kit.bench.budget import Budget, Source, budget, rounding
from kit.errors import MeasurementError
from kit.terms import FloatArray


@dataclass(frozen=True)
class Estimate:
    """A number with its doubt: two-sided limits from Student's t."""

    value: float
    std_error: float
    df: float
    low: float
    high: float

    @property
    def is_clear(self) -> bool:
        """Whether the limits leave 0 out."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class Bias:
    """The bias of one instrument over the range of its references.

    Attributes
    ----------
    instrument, unit : str
    references, readings : int
        How many, and how often they were read in all.
    centre : float
        Mean of the true values.
    low, high : float
        Range of the true values.
    constant : Estimate
        Bias at the centre.
    slope : Estimate or None
        Change of the bias a unit of true value; None with one reference.
    scatter, df : float
        Standard deviation of single readings around the line, and its degrees of freedom.
    bend : tuple of (float, float, float) or None
        F, its p and how far the means of the references lie from the line (SD), where that can be tested.
    u_true, step : float
        Standard uncertainty of the references (the largest), smallest step of the display.
    covariance : array, shape (2, 2)
        Of constant and slope; zero for the slope with one reference.
    table : DataFrame
        One row a reference: ``reference``, ``true_value``, ``readings``, ``bias``, ``fitted``.
    """

    instrument: str
    unit: str
    references: int
    readings: int
    centre: float
    low: float
    high: float
    constant: Estimate
    slope: Estimate | None
    scatter: float
    df: float
    bend: tuple[float, float, float] | None
    u_true: float
    step: float
    covariance: FloatArray
    table: pd.DataFrame

    @property
    def is_bent(self) -> bool:
        """Whether a straight line does not describe the bias (p below 0.05)."""
        return self.bend is not None and self.bend[1] < 0.05

    def at(self, true_value: FloatArray) -> FloatArray:
        """Give the fitted bias at true values, in the unit of the instrument."""
        slope = self.slope.value if self.slope else 0.0
        return np.asarray(self.constant.value + slope * (np.asarray(true_value) - self.centre))

    def limits(
        self, true_value: FloatArray, *, confidence: float = 0.95
    ) -> tuple[FloatArray, FloatArray]:
        """Give the two-sided limits of the fitted bias at true values, each by itself."""
        x = np.asarray(true_value, dtype=float)
        rows = np.column_stack([np.ones_like(x), x - self.centre])
        u = np.sqrt(np.einsum("ij,jk,ik->i", rows, self.covariance, rows))
        half = float(stats.t.ppf((1 + confidence) / 2, self.df)) * u
        return self.at(x) - half, self.at(x) + half

    def corrected(self, readings: FloatArray) -> FloatArray:
        """Take the bias off readings: solves reading = true + bias(true)."""
        slope = self.slope.value if self.slope else 0.0
        y = np.asarray(readings, dtype=float)
        return np.asarray((y - self.constant.value + slope * self.centre) / (1 + slope))

    def correction_u(self, true_value: float) -> float:
        """Give the standard uncertainty that the correction leaves at a true value: it does not average out."""
        return sqrt(sum(s.u**2 for s in self._lasting(true_value)))

    def budget_at(self, true_value: float, *, repeats: int = 1, confidence: float = 0.95) -> Budget:
        """Give the uncertainty budget of a corrected mean of repeat readings (GUM).

        Parameters
        ----------
        true_value : float
            Where on the instrument's range.
        repeats : int, default 1
            Readings averaged.
        confidence : float, default 0.95
            Of the expanded uncertainty.

        Returns
        -------
        Budget
            Repeat readings, rounding of the display, references, line of correction.
        """
        once = [
            Source("scatter of repeat readings", self.scatter / sqrt(repeats), max(self.df, 1)),
            Source("rounding of the display", rounding(self.step)),
        ]
        return budget([*once, *self._lasting(true_value)], confidence=confidence)

    def _lasting(self, true_value: float) -> list[Source]:
        row = np.array([1.0, true_value - self.centre])
        lasting = [
            Source("references", self.u_true),
            Source("line of correction", sqrt(float(row @ self.covariance @ row)), max(self.df, 1)),
        ]
        if self.is_bent and self.bend is not None:
            lasting.append(Source("bend that the line leaves out", self.bend[2]))
        return lasting


def instrument_bias(references: pd.DataFrame, *, confidence: float = 0.95) -> Bias:
    """Fit the bias of one instrument.

    Parameters
    ----------
    references : DataFrame
        Rows of one instrument: ``instrument``, ``reference``, ``true_value``, ``reading``, ``u_true``, ``step``, ``unit``.
    confidence : float, default 0.95
        Of the limits of constant and slope.

    Returns
    -------
    Bias

    Raises
    ------
    MeasurementError
        If there are too few readings to judge their scatter by.

    Notes
    -----
    With three or more references read twice or more, an F test compares how far their means lie from the line with the scatter
    of repeat readings; where they lie too far, that distance enters every budget.
    """
    true = references["true_value"].to_numpy(dtype=float)
    error = references["reading"].to_numpy(dtype=float) - true
    values = np.unique(true)
    centre = float(true.mean())
    columns = [np.ones(len(true))] + ([true - centre] if len(values) > 1 else [])
    X = np.column_stack(columns)
    df = len(error) - X.shape[1]
    name = str(references["instrument"].iloc[0])
    if df < 1:
        raise MeasurementError(
            f"instrument {name!r}: {len(error)} readings of {len(values)} references leave nothing to judge their scatter by; "
            "read each reference twice or more."
        )
    inverse = np.linalg.inv(X.T @ X)
    b = inverse @ X.T @ error
    variance = float(((error - X @ b) ** 2).sum()) / df
    covariance = np.zeros((2, 2))
    covariance[: len(b), : len(b)] = variance * inverse
    estimates = [
        _estimate(float(v), sqrt(covariance[i, i]), df, confidence) for i, v in enumerate(b)
    ]
    table = references.assign(bias=error, fitted=X @ b)
    table = table.groupby(["reference", "true_value"], sort=False, as_index=False).agg(
        readings=("bias", "size"), bias=("bias", "mean"), fitted=("fitted", "first")
    )
    return Bias(
        instrument=name,
        unit=str(references["unit"].iloc[0]),
        references=len(values),
        readings=len(error),
        centre=centre,
        low=float(values[0]),
        high=float(values[-1]),
        constant=estimates[0],
        slope=estimates[1] if len(b) > 1 else None,
        scatter=sqrt(variance),
        df=df,
        bend=_bend(true, error, X @ b, len(b)),
        u_true=_largest(references, "u_true"),
        step=_largest(references, "step"),
        covariance=covariance,
        table=table.sort_values("true_value", ignore_index=True),
    )


def all_biases(references: pd.DataFrame | None) -> dict[str, Bias]:
    """Fit the bias of every instrument of ``references.csv``, in the order of the file."""
    if references is None or references.empty:
        return {}
    return {
        str(name): instrument_bias(rows)
        for name, rows in references.groupby("instrument", sort=False)
    }


def _estimate(value: float, std_error: float, df: float, confidence: float) -> Estimate:
    half = float(stats.t.ppf((1 + confidence) / 2, df)) * std_error
    return Estimate(value, std_error, df, value - half, value + half)


def _largest(references: pd.DataFrame, column: str) -> float:
    value = references[column].max() if column in references else np.nan
    return 0.0 if np.isnan(value) else float(value)


def _bend(
    true: FloatArray, error: FloatArray, fitted: FloatArray, terms: int
) -> tuple[float, float, float] | None:
    values, place = np.unique(true, return_inverse=True)
    sizes = np.bincount(place)
    df_lack, df_pure = len(values) - terms, len(true) - len(values)
    if df_lack < 1 or df_pure < 1:
        return None
    means = np.bincount(place, error) / sizes
    pure = float(((error - means[place]) ** 2).sum()) / df_pure
    off = means - fitted[[int(np.flatnonzero(place == i)[0]) for i in range(len(values))]]
    lack = float((sizes * off**2).sum()) / df_lack
    F = lack / pure if pure > 0 else np.inf if lack > 0 else 0.0
    return float(F), float(stats.f.sf(F, df_lack, df_pure)), sqrt(float((off**2).sum()) / df_lack)
