"""Known bias of instruments taken off readings, and the doubt of that correction carried on.

What an instrument shows too much is the same in every reading, so its doubt does not shrink with more prints (GUM 3.2.4, F.2.4.5).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import sqrt

import numpy as np
import pandas as pd

from kit.bench.bias import Bias, instrument_bias
from kit.errors import MeasurementError
from kit.terms import FloatArray
from kit.words import conversion, unit_label

BIAS_OF, U_BIAS, AS_READ = "bias_of", "u_bias", "as_read"
REACH = 0.25
"""Readings farther outside the references than this share of their range are named."""


@dataclass(frozen=True)
class Corrected:
    """Readings with known bias taken off.

    Attributes
    ----------
    readings : DataFrame
        As `StudyData.readings`, with ``bias_of`` (instrument; empty = not corrected), ``u_bias`` (standard uncertainty of the
        correction, in the unit of the reading) and ``as_read``.
    notes : mapping of response name to tuple of str
    """

    readings: pd.DataFrame
    notes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def correct_readings(readings: pd.DataFrame, references: pd.DataFrame | None) -> Corrected:
    """Take the known bias of its instrument off every reading.

    Parameters
    ----------
    readings : DataFrame
        As `StudyData.readings`.
    references : DataFrame or None
        ``references.csv``.

    Returns
    -------
    Corrected
        Readings of instruments without references stay as they are.
    """
    table = readings.copy()
    table[BIAS_OF], table[U_BIAS], table[AS_READ] = "", 0.0, readings["value"]
    if references is None or references.empty or readings.empty:
        return Corrected(table)
    notes: dict[str, list[str]] = {}
    for name, rows in references.groupby("instrument", sort=False):
        try:
            bias = instrument_bias(rows)
        except MeasurementError:
            continue  # the gauge page says why
        mine = table["instrument"].str.casefold() == str(name).casefold()
        for (response, part, unit), group in table[mine].groupby(
            ["response", "part", "unit"], sort=False
        ):
            said = _correct(table, group, bias, str(unit))
            notes.setdefault(str(response), []).extend(f"{_what(str(part))}{text}" for text in said)
    return Corrected(table, {name: tuple(texts) for name, texts in notes.items()})


def correction_u(used: pd.DataFrame, parts: Sequence[str], slopes: FloatArray) -> float:
    """Give the standard uncertainty that the corrections leave in a response's mean.

    Parameters
    ----------
    used : DataFrame
        Readings of the response with ``part``, ``bias_of``, ``u_bias``.
    parts : sequence of str
        The k inputs of its formula.
    slopes : array, shape (k,)
        Partial derivatives of the response by each input, at the mean specimen.

    Returns
    -------
    float
        Inputs read with one instrument share its doubt and add up with their signs; instruments are independent.
    """
    by_instrument: dict[str, float] = {}
    for part, slope in zip(parts, slopes, strict=True):
        mine = used[used["part"] == part]
        for name, group in mine[mine[BIAS_OF] != ""].groupby(BIAS_OF):
            share = len(group) / len(mine)
            by_instrument[str(name)] = by_instrument.get(str(name), 0.0) + slope * share * float(
                group[U_BIAS].mean()
            )
    return sqrt(sum(v**2 for v in by_instrument.values()))


def _correct(table: pd.DataFrame, group: pd.DataFrame, bias: Bias, unit: str) -> list[str]:
    """Correct the readings of one kind in place; gives what to say about it."""
    scale = 1.0 if not bias.unit else conversion(unit, bias.unit)
    if scale is None:
        return [
            f"read with {bias.instrument!r}, whose references are in {bias.unit}; not corrected."
        ]
    shown = group["value"].to_numpy(dtype=float) * scale
    true = bias.corrected(shown)
    table.loc[group.index, "value"] = true / scale
    table.loc[group.index, BIAS_OF] = bias.instrument
    table.loc[group.index, U_BIAS] = np.array([bias.correction_u(float(t)) for t in true]) / scale
    shift = float((true - shown).mean()) / scale
    u = float(table.loc[group.index, U_BIAS].mean())
    text = (
        f"{len(group)} readings with {bias.instrument!r} are corrected by {shift:+.3g} {unit_label(unit)} on average, for what its "
        f"references showed; the correction itself is sure to ±{2 * u:.2g} {unit_label(unit)} (two standard uncertainties)."
    ).replace("-", "\u2212")
    said = [text]
    margin = REACH * (bias.high - bias.low)
    far = ((true < bias.low - margin) | (true > bias.high + margin)) & (bias.slope is not None)
    if far.any():
        said.append(
            f"{int(far.sum())} of them lie outside the references ({bias.low:g} to {bias.high:g} {unit_label(bias.unit)}), where the "
            "correction is a guess: read references nearer to them."
        )
    return said


def _what(part: str) -> str:
    return "" if part in ("value", "along", "across") else f"{part}: "
