"""A response where a study has one factor on a scale (a curve) or none (a point a level)."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from scipy.stats import t as student

from kit.charts.labels import (
    Setting,
    decimals_for,
    factor_axis,
    factor_title,
    number,
    plain,
    response_axis,
    setting_text,
    stem,
    text_width,
    wrapped,
)
from kit.charts.maps import HALO, factor_ticks, held_text, is_on_panel, panel_title, slices_text
from kit.charts.picture import Picture
from kit.charts.style import (
    ACCENT,
    ALLOWED,
    BODY,
    INK,
    LINE,
    SMALL,
    WIDTH,
    dots,
    drawing,
    finish,
    framed,
    round_ticks,
    text_height,
)
from kit.charts.view import View, printed_runs, runs_near
from kit.model.predict import distribution
from kit.model.surface import Surface
from kit.saying import with_unit
from kit.study.description import Response, Study
from kit.terms import FloatArray

FINE = 161


def mean_interval(surface: Surface, coded: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give fitted means (on another scale, medians) and their pointwise 95 % limits, each shape (m,), in the response's unit."""
    mean, error, df = distribution(surface, coded, "mean")
    half = student.ppf(0.975, df) * error
    back = surface.scale.back
    return back(mean), back(mean - half), back(mean + half)


CENTRES = {True: "Fitted mean", False: "Typical (middle) value"}
"""What a surface shows: its mean where it is fitted as measured, on another scale the median."""


def fitted_word(surface: Surface) -> str:
    """Name what an axis carries: a fitted mean, or on another scale the typical value."""
    return "Fitted" if surface.scale.is_plain else "Typical"


def draw_response_curve(
    surface: Surface, study: Study, view: View, recommended: Mapping[str, Setting] | None = None
) -> Picture:
    """Draw fitted means with their 95 % interval and the prints: a curve, or a point a level.

    Parameters
    ----------
    surface : Surface
        The fitted response.
    study : Study
        Labels, units and limits.
    view : View
        With at most one factor on an axis.
    recommended : mapping of factor name to setting, optional
        Marked on the axis.

    Returns
    -------
    Picture
    """
    response = surface.stated
    panels = view.panels if view.across else (dict(view.held),)
    printed = printed_runs(surface.observations, study)
    values = dict(
        zip(
            surface.observations["run"].astype(str),
            surface.scale.back(surface.observations["value"]),
            strict=True,
        )
    )
    printed = printed.assign(value=printed["run"].map(values))
    with drawing():
        title = response_axis(response).split(" (")[0] + " over " + _over(study, view)
        shape = "Line and band" if view.across else "Dot and bar"
        note = f"{shape}: {CENTRES[surface.scale.is_plain].lower()} and its 95 % interval. Rings: prints."
        here = [bool(recommended and view.across and is_on_panel(recommended, p)) for p in panels]
        note += " Dotted: recommended setting." if any(here) else ""
        label = wrapped(
            factor_axis(study, view.across or view.along or ""), WIDTH - 1, BODY, lines=2
        )
        foot = text_height(label, BODY) + 0.1
        figure = framed(
            title, " ".join(filter(None, [note, held_text(study, view)])), 3.4, foot=foot
        )
        row = list(figure.subplots(1, len(panels), squeeze=False, sharey=True)[0])
        said = []
        for axes, panel in zip(row, panels, strict=True):
            allowed_band(axes, response)
            if view.across:
                said.append(_curve(axes, surface, study, view, panel))
                on, near = runs_near(printed, study, view, panel)
                for table, size in ((near, 4.0), (on, 7.5)):
                    if len(table):
                        _rings(axes, table[view.across], table["value"], size)
            else:
                said.append(_levels(axes, surface, study, view))
                spots = [view.slices.index(str(v)) for v in printed[view.along or ""]]
                _rings(axes, np.array(spots) - 0.16, printed["value"], 6.5)
        seen = printed[view.across] if view.across else None
        _finish_axes(row, study, view, response, (seen, printed["value"]))
        for axes in [a for a, mine in zip(row, here, strict=True) if mine]:
            assert recommended is not None
            assert view.across is not None
            axes.axvline(
                float(recommended[view.across]), color=ACCENT, lw=1.4, ls=(0, (2, 2)), zorder=1
            )
        finish(figure, row, label, 0.06)
    alt = f"Fitted {response.title} over {_over(study, view)}{slices_text(study, view) if view.across else ''}: {'; '.join(said)}."
    caption = f"{CENTRES[surface.scale.is_plain]} of {response.title} with its 95 % interval, and the prints it rests on."
    return Picture(f"response-{stem(response.name)}", figure, alt, caption)


def _over(study: Study, view: View) -> str:
    return factor_title(study, view.across or view.along or "").lower()


def allowed_band(axes: Axes, response: Response) -> None:
    """Shade what the requirement allows across the height of an axes, its limits as lines."""
    if not response.has_limits:
        return
    low = -1e300 if response.lower is None else response.lower
    high = 1e300 if response.upper is None else response.upper
    frozen = axes.dataLim.frozen()
    axes.axhspan(max(low, -1e12), min(high, 1e12), color=ALLOWED, lw=0, zorder=0, alpha=0.55)
    axes.dataLim.set(frozen)  # the band must not widen the axis
    for limit in (response.lower, response.upper):
        if limit is not None:
            axes.axhline(limit, color=INK, lw=1.2, zorder=1)


def _curve(
    axes: Axes, surface: Surface, study: Study, view: View, panel: Mapping[str, Setting]
) -> str:
    """Draw one curve over the tried part of its factor and say its ends."""
    across = view.across or ""
    tried = surface.tried.points[:, surface.coding.names.index(across)]
    x = np.asarray(
        surface.coding[across].decode(np.linspace(tried.min(), tried.max(), FINE)), dtype=float
    )
    coded = surface.coding.code({across: x, **{n: np.full(FINE, v) for n, v in panel.items()}})
    inside = surface.tried.contains(coded)
    mean, low, high = (np.where(inside, v, np.nan) for v in mean_interval(surface, coded))
    axes.fill_between(x, low, high, color=ACCENT, alpha=0.18, lw=0, zorder=2)
    axes.plot(x, mean, color=ACCENT, lw=2.2, zorder=3)
    kept = np.flatnonzero(inside)
    decimals = decimals_for(float(np.nanmax(high) - np.nanmin(low)))
    parts = [
        f"{with_unit(number(float(mean[i]), decimals), surface.stated.unit)}"
        f" ({number(float(low[i]), decimals)} to {number(float(high[i]), decimals)})"
        f" at {setting_text(study, across, float(x[i]))}"
        for i in (kept[0], kept[-1])
    ]
    return (f"{panel[view.along]}: " if view.along else "") + " and ".join(parts)


def _levels(axes: Axes, surface: Surface, study: Study, view: View) -> str:
    """Draw a dot with its interval for each level and say them."""
    along = view.along or ""
    coded = surface.coding.code(
        {along: list(view.slices), **{n: [v] * len(view.slices) for n, v in view.held.items()}}
    )
    mean, low, high = mean_interval(surface, coded)
    places = np.arange(len(mean)) + 0.12
    axes.vlines(places, low, high, color=ACCENT, lw=3.2, zorder=3)
    dots(axes, places, mean, size=9.5, fill=ACCENT, rim=ACCENT, layer=4)
    cell = (WIDTH - 1.2) / len(mean) - 0.1
    axes.set_xticks(range(len(mean)), [wrapped(str(v), cell, SMALL, lines=2) for v in view.slices])
    axes.set_xlim(-0.5, len(mean) - 0.5)
    decimals = decimals_for(float(high.max() - low.min()))
    return "; ".join(
        f"{level} {with_unit(number(float(m), decimals), surface.stated.unit)}"
        f" ({number(float(a), decimals)} to {number(float(b), decimals)})"
        for level, m, a, b in zip(view.slices, mean, low, high, strict=True)
    )


def _rings(axes: Axes, x: npt.ArrayLike, y: npt.ArrayLike, size: float) -> None:
    face, edge = ("white", INK) if size > 5 else (INK, "white")
    dots(axes, x, y, size=size, fill=face, rim=edge, width=1.3, layer=5)


def _finish_axes(
    row: list[Axes],
    study: Study,
    view: View,
    response: Response,
    points: tuple[npt.ArrayLike | None, npt.ArrayLike],
) -> None:
    wide = (WIDTH - 1) / len(row)
    for axes, panel in zip(row, view.panels if view.across else ({},), strict=True):
        axes.set(xlabel="", ylabel="")
        axes.margins(y=0.12)
        axes.set_title(
            panel_title(study, view, panel, wide - 0.15) if panel else "", size=SMALL, loc="left"
        )
        axes.grid(axis="y", color=LINE, lw=0.6, zorder=0.5)
        round_ticks(axes.yaxis, 6)
        if view.across:
            factor_ticks(axes.xaxis, study, view.across, {1: 5, 2: 5, 3: 3}.get(len(row), 2))
    row[0].set_ylabel(wrapped(response_axis(response), 3.0, BODY, lines=2))
    name_limits(row[-1], response, *points)


def name_limits(
    axes: Axes, response: Response, x: npt.ArrayLike | None = None, y: npt.ArrayLike | None = None
) -> None:
    """Write each limit at its line, where the fewest points are in the way, rather on the side that fails.

    Parameters
    ----------
    axes : Axes
        With its limits settled.
    response : Response
        Gives the limits.
    x, y : arrays, shape (n,), optional
        Points in data units; without ``x`` the text goes to the right.
    """
    for limit, word, fails in ((response.lower, "at least", -1), (response.upper, "at most", 1)):
        if limit is None:
            continue
        text = f"{word} {with_unit(plain(limit), response.unit)}"
        spot, side = _emptiest(axes, limit, fails, text, x, y)
        axes.annotate(
            text, (spot, limit), (4 - 8 * spot, 4 * side), xycoords=axes.get_yaxis_transform(),
            textcoords="offset points", size=SMALL, va="bottom" if side > 0 else "top", zorder=2.5,
            ha={0.0: "left", 1.0: "right"}.get(spot, "center"), path_effects=HALO,
        )  # fmt: skip


def _emptiest(
    axes: Axes,
    limit: float,
    fails: int,
    text: str,
    x: npt.ArrayLike | None,
    y: npt.ArrayLike | None,
) -> tuple[float, int]:
    """Choose a place across, 0 to 1, and a side of the line, -1 below, for a text."""
    if x is None or y is None:
        return 1.0, fails
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    across = (np.asarray(x, dtype=float) - left) / (right - left)
    above = (np.asarray(y, dtype=float) - limit) / (top - bottom)
    wide, tall = (
        text_width(text, SMALL) / 5.0 + 0.02,
        0.13,
    )  # the axes are about 5 in wide, 2.4 in tall

    def crowded(place: tuple[float, int]) -> int:
        spot, side = place
        start = spot - wide * spot
        level = (above * side > -0.03) & (above * side < tall)
        beyond = not bottom < limit + side * tall * (top - bottom) < top
        return int((level & (across > start - 0.02) & (across < start + wide)).sum()) + 100 * beyond

    places = [(spot, side) for side in (fails, -fails) for spot in (1.0, 0.0, 0.5, 0.25, 0.75)]
    return min(places, key=crowded)
