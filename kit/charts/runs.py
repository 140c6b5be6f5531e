"""Every measured print in print order, beside what is required."""

from __future__ import annotations

from itertools import cycle

import numpy as np
import pandas as pd
from matplotlib.artist import Artist
from matplotlib.axes import Axes

from kit.bench.measured import Measured
from kit.charts.curves import allowed_band, name_limits
from kit.charts.labels import (
    capital,
    decimals_for,
    number,
    requirement_text,
    response_axis,
    stem,
    wrapped,
)
from kit.charts.maps import foot_key, key_mark, key_rows
from kit.charts.order import in_print_order, mark_blocks, order_axis
from kit.charts.picture import Picture
from kit.charts.style import (
    ACCENT,
    BODY,
    INK,
    LINE,
    MARKERS,
    MUTED,
    PALETTE,
    dots,
    drawing,
    finish,
    framed,
    round_ticks,
)
from kit.saying import counted, listed, with_unit
from kit.study.description import Response, Study

FOOT = 0.045
"""Height of the marks of prints without a result, as a share of the axes."""
SHIFT = 0.33
"""Specimens stand so far beside the mean of their print, in places of the print order."""
MANY = 40
"""With more prints than this there is no room beside the mean."""


def draw_measured(measured: Measured, runs: pd.DataFrame, study: Study | None = None) -> Picture:
    """Draw all specimens and print means of one response along the print order.

    Parameters
    ----------
    measured : Measured
        Specimens and print means of the response.
    runs : DataFrame
        The runs table: it knows the order, the blocks and which prints failed.
    study : Study, optional
        With a category its levels get a marker and a colour each.

    Returns
    -------
    Picture
    """
    response = measured.response
    ordered = in_print_order(runs.assign(run=runs["run"].astype(str)))
    prints, specimens = (_placed(t, ordered, study) for t in (measured.prints, measured.specimens))
    several = bool((prints["specimens"] > 1).any())
    failed = ordered[ordered["status"] == "failed"]
    measured_runs = prints["run"].astype(str)
    waiting = ordered[(ordered["status"] != "failed") & ~ordered["run"].isin(measured_runs)]
    levels = _present_levels(prints, study)
    title = " ".join(response.title.split())
    with drawing():
        keys = _keys(levels, several, len(failed) > 0, len(waiting) > 0)
        note = f"Shaded: allowed ({requirement_text(response)})." if response.has_limits else ""
        figure = framed(f"{capital(title)} of every print", note, 3.3, foot=key_rows(keys))
        axes = figure.subplots()
        allowed_band(axes, response)
        if several:
            shift = SHIFT if len(ordered) <= MANY else 0.0
            x, y = specimens["place"] + shift, specimens["value"]
            dots(axes, x, y, size=4.2, fill=MUTED, width=0.5)
        for level, marker, colour in zip(levels, cycle(MARKERS), cycle(PALETTE), strict=False):
            rows = prints[prints["look"] == level]
            fill = colour if len(levels) > 1 else ACCENT
            dots(axes, rows["place"], rows["value"], size=9, fill=fill, marker=marker, layer=4)
        axes.grid(axis="y", color=LINE, lw=0.6, zorder=0.5)
        axes.margins(y=0.16)
        round_ticks(axes.yaxis, 7)
        order_axis(axes, ordered["place"].to_numpy())
        axes.set_ylabel(wrapped(response_axis(response), 2.6, BODY, lines=2))
        mark_blocks(axes, ordered["place"].to_numpy(), ordered["block"])
        foot = pd.concat([failed["place"], waiting["place"]])
        height = np.full(len(foot), axes.transLimits.inverted().transform((0, FOOT))[1])
        name_limits(axes, response, [*specimens["place"], *foot], [*specimens["value"], *height])
        _at_the_foot(axes, failed, "x", INK)
        _at_the_foot(axes, waiting, "|", MUTED)
        foot_key(figure, keys)
        finish(figure)
    alt = _alt(measured, response, list(failed["run"]), len(waiting))
    caption = f"All results of {title} in print order."
    return Picture(f"measured-{stem(response.name)}", figure, alt, caption)


def _placed(table: pd.DataFrame, ordered: pd.DataFrame, study: Study | None) -> pd.DataFrame:
    """Give results their place in the print order and the level that decides their look."""
    known, mine = ordered.set_index("run"), table["run"].astype(str)
    return table.assign(place=mine.map(known["place"]), look=mine.map(_levels(known, study)))


def _levels(known: pd.DataFrame, study: Study | None) -> pd.Series:
    """Give each run the level of the first category, or nothing where there is none."""
    if study is None or not study.coding.categories:
        return pd.Series("", index=known.index)
    return known[study.coding.categories[0].name].astype(str)


def _present_levels(prints: pd.DataFrame, study: Study | None) -> list[str]:
    """Give the levels that were printed, in the study's order; one empty name where there is no category."""
    seen = list(dict.fromkeys(prints["look"]))
    if study is None or not study.coding.categories:
        return seen
    return [level for level in study.coding.categories[0].levels if level in seen]


def _keys(levels: list[str], several: bool, failed: bool, waiting: bool) -> list[Artist]:
    what = "mean of a print" if several else "a print"
    keys: list[Artist] = []
    if len(levels) > 1:
        signs = zip(levels, cycle(MARKERS), cycle(PALETTE), strict=False)
        keys += [
            key_mark(f"{what}, {level}", marker=m, ms=8, mfc=c, mec="white")
            for level, m, c in signs
        ]
    else:
        keys.append(key_mark(what, marker="o", ms=9, mfc=ACCENT, mec="white"))
    if several:
        keys.append(key_mark("a specimen", marker="o", ms=4.5, mfc=MUTED, mec="white"))
    if failed:
        keys.append(key_mark("failed print", marker="x", ms=7, mec=INK, mew=1.8))
    if waiting:
        keys.append(key_mark("no readings yet", marker="|", ms=9, mec=MUTED, mew=1.8))
    return keys


def _at_the_foot(axes: Axes, table: pd.DataFrame, marker: str, colour: str) -> None:
    """Mark prints without a result just above the axis across."""
    if len(table):
        axes.plot(
            table["place"], np.full(len(table), FOOT), marker=marker, ms=8, mec=colour, mew=1.8, ls="",
            transform=axes.get_xaxis_transform(), zorder=5,
        )  # fmt: skip


def _alt(measured: Measured, response: Response, failed: list[str], waiting: int) -> str:
    values = measured.prints["value"].to_numpy(dtype=float)
    if not len(values):
        return f"No results of {response.title} yet."
    decimals = decimals_for(float(np.ptp(values)))
    text = (
        f"{counted(len(measured.specimens), 'specimen')} of {counted(len(values), 'print')} in print order: {response.title} of the print"
        f" means from {number(values.min(), decimals)} to {with_unit(number(values.max(), decimals), response.unit)}."
    )
    if response.has_limits:
        low = -np.inf if response.lower is None else response.lower
        high = np.inf if response.upper is None else response.upper
        met = int(((values >= low) & (values <= high)).sum())
        text += f" Required is {requirement_text(response)}: {met} of {len(values)} means meet it."
    if failed:
        text += f" Failed: run {listed(failed)}."
    if waiting:
        text += f" {counted(waiting, 'print')} without readings."
    return text
