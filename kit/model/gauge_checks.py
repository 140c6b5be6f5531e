"""Readings and operators of a gauge study that are unlike the others: named, never dropped."""

from __future__ import annotations

from collections.abc import Iterator
from math import sqrt

import numpy as np
import pandas as pd

from kit.model.pooling import (
    cochran_critical,
    cochran_statistic,
    grubbs_critical,
    grubbs_statistic,
)

UNLIKELY = 0.01
"""Chance alone does as much in one study of a hundred (the outlier level of ISO 5725-2)."""
COARSE = 2.0
"""A repeatability below so many floors of the display is mostly its rounding (common practice, no source)."""


def gauge_checks(table: pd.DataFrame, layout: str, step: float) -> tuple[str, ...]:
    """Look for a reading, an operator or a display that does not fit the rest.

    Parameters
    ----------
    table : DataFrame
        ``part``, ``operator``, ``value``, and ``order`` where it is known.
    layout : str
        As in `kit.model.gauge.Gauge`.
    step : float
        Smallest step of the display, in the unit of the readings.

    Returns
    -------
    tuple of str
        One sentence a finding; empty when nothing is odd.
    """
    found = [*_scattered_cell(table), *_coarse(table, step), *_drift(table)]
    if layout in ("crossed", "one part"):
        found += _scattering_operator(table)
    return tuple(found)


def _cells(table: pd.DataFrame) -> pd.DataFrame:
    groups = table.groupby(["part", "operator"], sort=False)["value"]
    cells = pd.DataFrame(
        {"n": groups.size(), "variance": groups.var(), "spread": groups.max() - groups.min()}
    )
    return cells[cells["n"] > 1].reset_index()


def _scattered_cell(table: pd.DataFrame) -> Iterator[str]:
    """Cochran's test of the repeat readings of one operator on one part."""
    cells = _cells(table)
    if len(cells) < 2:
        return
    readings = round(float(cells["n"].mean()))
    limit = cochran_critical(len(cells), max(2, readings), alpha=UNLIKELY)
    if cochran_statistic(cells["variance"]) > limit:
        worst = cells.iloc[int(cells["variance"].to_numpy().argmax())]
        who = f" by {worst['operator']}" if worst["operator"] else ""
        yield (
            f"The readings of part {worst['part']}{who} lie {worst['spread']:.4g} apart, far more than those of any other part: "
            "look for a slip before believing the rest. Nothing was left out."
        )


def _scattering_operator(table: pd.DataFrame) -> Iterator[str]:
    """Cochran's test of whole operators, and Grubbs' of their means."""
    cells = _cells(table)
    by = cells.assign(weighted=cells["variance"] * (cells["n"] - 1)).groupby("operator", sort=False)
    df = by["n"].sum() - by.size()
    pooled = by["weighted"].sum() / df
    if len(pooled) > 1 and pooled.sum() > 0:
        limit = cochran_critical(len(pooled), max(2, round(float(df.mean())) + 1), alpha=UNLIKELY)
        if cochran_statistic(pooled) > limit:
            who = pooled.idxmax()
            others = sqrt(float(pooled.drop(who).mean()))
            yield (
                f"Readings by {who} scatter with an SD of {sqrt(float(pooled.max())):.2g}, those by the others with {others:.2g}: "
                "look how they hold the part and the instrument."
            )
    means = table.pivot_table("value", index="part", columns="operator", aggfunc="mean").dropna()
    if means.shape[1] >= 3 and len(means):
        place = means.mean(axis=0)
        high, low = grubbs_statistic(place)
        if max(high, low) > grubbs_critical(len(place), alpha=UNLIKELY):
            who = place.idxmax() if high >= low else place.idxmin()
            side = "more" if high >= low else "less"
            yield f"{who} reads {side} than all others, farther than chance explains."


def _coarse(table: pd.DataFrame, step: float) -> Iterator[str]:
    cells = _cells(table)
    within = (
        float((cells["variance"] * (cells["n"] - 1)).sum() / (cells["n"] - 1).sum())
        if len(cells)
        else 0.0
    )
    if step > 0 and sqrt(within) < COARSE * step / sqrt(12):
        yield (
            f"The display's step of {step:g} hides most of the scatter of repeat readings; the rounding alone scatters with an SD of "
            f"{step / sqrt(12):.2g}, and less than that is not believed."
        )


def _drift(table: pd.DataFrame) -> Iterator[str]:
    """Look for a trend of the readings, parts and operators taken out, along the order of reading."""
    order = table["order"].to_numpy(dtype=float) if "order" in table else np.array([])
    if len(order) < 8 or np.isnan(order).any() or np.ptp(order) == 0:
        return
    cell = table.groupby(["part", "operator"])
    rest = (table["value"] - cell["value"].transform("mean")).to_numpy(dtype=float)
    along = (table["order"] - cell["order"].transform("mean")).to_numpy(dtype=float)
    df = len(rest) - cell.ngroups - 1
    if df < 4 or not along @ along > 0:
        return
    slope = float(along @ rest / (along @ along))
    error = sqrt(float(((rest - slope * along) ** 2).sum()) / df / float(along @ along))
    if error > 0 and abs(slope) / error > 3.0:
        way = "rise" if slope > 0 else "fall"
        yield (
            f"Readings {way} by {abs(slope) * float(np.ptp(order)):.2g} from the first to the last of the study: check the zero, "
            "the battery and the tile, and whether parts were still warm."
        )
