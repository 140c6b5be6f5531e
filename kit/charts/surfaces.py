"""A fitted response over the settings: slices of a map, a curve, or points where there are only categories."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from matplotlib.ticker import MaxNLocator

from kit.charts.curves import CENTRES, draw_response_curve, fitted_word
from kit.charts.labels import (
    Setting,
    capital,
    decimals_for,
    even,
    factor_title,
    lower_first,
    number,
    plain,
    requirement_text,
    response_axis,
    stem,
)
from kit.charts.maps import (
    Limit,
    choice_key,
    draw_choice,
    draw_runs,
    held_text,
    is_on_panel,
    limit_line,
    map_row,
    place_text,
    run_keys,
    scale_bar,
    slices_text,
)
from kit.charts.picture import Picture
from kit.charts.style import COLOUR_MAP, drawing
from kit.charts.view import View, choose_view, printed_runs, runs_near
from kit.model.surface import Surface
from kit.saying import percent, with_unit
from kit.study.description import Response, Study
from kit.terms import FloatArray

FINE = 121
"""Points along each side of a map."""


def draw_response_map(
    surface: Surface,
    study: Study,
    view: View | None = None,
    recommended: Mapping[str, Setting] | None = None,
) -> Picture:
    """Draw the fitted mean of a response over the tried region.

    Parameters
    ----------
    surface : Surface
        The fitted response.
    study : Study
        Labels, units and limits.
    view : View, optional
        As `choose_view` gives it; pass the same to all maps of a study. Default: the study's first two
        scales.
    recommended : mapping of factor name to setting, optional
        Marked where it lies on a slice.

    Returns
    -------
    Picture
        With two factors or more on a scale a row of maps; with one a curve; with none a point a level.
    """
    view = view or choose_view({}, study, recommended)
    if view.across is None or view.up is None:
        return draw_response_curve(surface, study, view, recommended)
    response, title = surface.stated, " ".join(surface.stated.title.split())
    xs, ys, fields = _fields(surface, view)
    printed = printed_runs(surface.observations, study)
    levels, limits = _levels(fields), _limits(response, fields)
    marked = recommended if recommended is not None else {}
    shown = [bool(marked) and is_on_panel(marked, panel) for panel in view.panels]
    with drawing():
        near = any(len(runs_near(printed, study, view, p)[1]) for p in view.panels)
        keys = run_keys(near) + [limit.key for limit in limits]
        ticks = "Ticks on a limit point to where it fails." if limits else ""
        note = " ".join(filter(None, ["Hatched: not tried.", ticks, held_text(study, view)]))
        head = f"{capital(title)} over {_axes_text(study, view)}"
        keys += [choice_key()] if any(shown) else []
        figure, row, settle = map_row(study, view, head, note, keys)
        for axes, panel, z, mark in zip(row, view.panels, fields, shown, strict=True):
            shades = axes.contourf(xs, ys, z, levels=levels, cmap=COLOUR_MAP, zorder=2)
            axes.contour(
                xs, ys, z, levels=levels, colors="white", linewidths=0.5, linestyles="-", alpha=0.6, zorder=3
            )  # fmt: skip
            for limit in limits:
                if np.nanmin(z) < limit.level < np.nanmax(z):
                    limit_line(axes, xs, ys, z, limit)
            draw_runs(axes, printed, study, view, panel)
            if mark:
                draw_choice(axes, float(marked[view.across]), float(marked[view.up]))
        axes.set(xlim=_padded(xs), ylim=_padded(ys))
        label = f"{fitted_word(surface)} {lower_first(response_axis(response))}"
        scale_bar(figure, row, shades, label, levels, even(levels))
        settle()
    alt = _alt(response, study, view, xs, ys, np.array(fields))
    caption = f"{CENTRES[surface.scale.is_plain]} of {title} over the tried settings, with the prints it rests on."
    return Picture(f"response-{stem(response.name)}", figure, alt, caption)


def _axes_text(study: Study, view: View) -> str:
    return " and ".join(
        factor_title(study, name).lower() for name in (view.across, view.up) if name
    )


def _levels(fields: list[FloatArray]) -> list[float]:
    """Give the round values at which the shading changes, the same for all panels."""
    low, high = float(np.nanmin(fields)), float(np.nanmax(fields))
    flat = high - low <= 1e-9 * max(abs(low), abs(high), 1e-300)
    ends = (low - 0.5, high + 0.5) if flat else (low, high)
    return [float(v) for v in MaxNLocator(8, steps=[1, 2, 2.5, 5, 10]).tick_values(*ends)]


def _fields(surface: Surface, view: View) -> tuple[FloatArray, FloatArray, list[FloatArray]]:
    """Evaluate the surface on each panel; missing outside the tried region."""
    coding = surface.coding
    names = list(coding.names)
    axes = []
    for name in (view.across, view.up):
        tried = surface.tried.points[:, names.index(name or "")]
        axes.append(
            np.asarray(
                coding[name or ""].decode(np.linspace(tried.min(), tried.max(), FINE)), dtype=float
            )
        )
    x, y = np.meshgrid(*axes)
    fields = []
    for panel in view.panels:
        settings = {n: np.full(x.size, panel[n]) for n in panel}
        coded = coding.code({**settings, view.across: x.ravel(), view.up: y.ravel()})  # type: ignore[dict-item]
        z = np.where(surface.tried.contains(coded), surface.typical(coded), np.nan)
        fields.append(z.reshape(x.shape))
    return axes[0], axes[1], fields


def _padded(values: FloatArray) -> tuple[float, float]:
    pad = 0.05 * (values[-1] - values[0])
    return float(values[0] - pad), float(values[-1] + pad)


def _limits(response: Response, fields: list[FloatArray]) -> list[Limit]:
    """Give the limits that some panel crosses."""
    sides = ((response.lower, "at least", -1, "-"), (response.upper, "at most", 1, "--"))
    low, high = float(np.nanmin(fields)), float(np.nanmax(fields))
    return [
        Limit(level, fails, look, f"{word} {with_unit(plain(level), response.unit)}")
        for level, word, fails, look in sides
        if level is not None and low < level < high
    ]


def _alt(
    response: Response, study: Study, view: View, xs: FloatArray, ys: FloatArray, z: FloatArray
) -> str:
    """Say the ends of what is shown and how much of it meets the requirement; ``z`` is panel by y by x."""
    decimals = decimals_for(float(np.nanmax(z) - np.nanmin(z)))
    ends = []
    for pick in (np.nanargmin, np.nanargmax):
        panel, j, i = (int(k) for k in np.unravel_index(int(pick(z)), z.shape))
        value = with_unit(number(float(z[panel, j, i]), decimals), response.unit)
        place = {
            **view.panels[panel],
            view.across or "": _rounded(xs, i),
            view.up or "": _rounded(ys, j),
        }
        ends.append(f"{value} at {place_text(study, place)}")
    text = (
        f"Map of fitted {' '.join(response.title.split())} over {_axes_text(study, view)}"
        f"{slices_text(study, view)}: from {ends[0]}, to {ends[1]}."
    )
    if response.has_limits:
        seen = z[np.isfinite(z)]
        low = -np.inf if response.lower is None else response.lower
        high = np.inf if response.upper is None else response.upper
        good = percent(float(((seen >= low) & (seen <= high)).mean()))
        text += f" The mean is {requirement_text(response)} on {good} of the area shown."
    return text


def _rounded(values: FloatArray, i: int) -> float:
    return round(float(values[i]), decimals_for(float(values[-1] - values[0])))
