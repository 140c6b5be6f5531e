"""How sure a plan will be over the settings: a map of half-widths, and the share of settings known so well."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import cycle

import numpy as np
import pandas as pd
from matplotlib.ticker import MaxNLocator

from kit.charts.labels import decimals_for, even, number, plain, wrapped
from kit.charts.maps import draw_runs, foot_key, held_text, key_mark, key_rows, map_row, scale_bar
from kit.charts.picture import Picture
from kit.charts.style import (
    ACCENT,
    BODY,
    COLOUR_MAP,
    INK,
    LINE,
    PALETTE,
    drawing,
    finish,
    framed,
    round_ticks,
)
from kit.charts.view import View, choose_view, runs_near
from kit.design.precision import Precision
from kit.terms import FloatArray

FINE = 61
DASHES = ("-", (0, (5, 2)), (0, (1.5, 1.5)))


def draw_doubt_map(
    precision: Precision, runs: pd.DataFrame, sd: float, quantity: str, unit: str
) -> Picture | None:
    """Draw how far off foretold means may be over low to high.

    Parameters
    ----------
    precision : Precision
        Of the plan.
    runs : DataFrame
        The runs table.
    sd : float
        Scatter between prints, in ``unit``.
    quantity, unit : str
        What is foretold, for the words; unit ready for print.

    Returns
    -------
    Picture or None
        None where the study has fewer than two factors on a scale.
    """
    study = precision.study
    view = choose_view({}, study)
    if view.across is None or view.up is None:
        return None
    xs, ys, fields = _fields(precision, view, sd)
    low, high = min(f.min() for f in fields), max(f.max() for f in fields)
    levels = [float(v) for v in MaxNLocator(7, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)]
    kept = runs[runs["status"] != "failed"] if "status" in runs else runs
    planned = pd.DataFrame(
        {"run": kept["run"].astype(str), **{n: kept[n] for n in study.coding.names}}
    )
    planned = planned.reset_index(drop=True)
    with drawing():
        near = any(len(runs_near(planned, study, view, p)[1]) for p in view.panels)
        keys = [key_mark("run of the plan", marker="o", ms=7.5, mfc="white", mec=INK, mew=1.4)]
        keys += [key_mark("run at nearby settings", marker="o", ms=4, mfc=INK)] if near else []
        figure, row, settle = map_row(
            study,
            view,
            f"Where {quantity} will be known well",
            " ".join(filter(None, ["Lower is better known.", held_text(study, view)])),
            keys,
        )
        for axes, panel, z in zip(row, view.panels, fields, strict=True):
            shades = axes.contourf(xs, ys, z, levels=levels, cmap=COLOUR_MAP, zorder=2)
            axes.contour(
                xs, ys, z, levels=levels, colors="white", linewidths=0.5, alpha=0.6, zorder=3
            )
            draw_runs(axes, planned, study, view, panel)
        pads = [0.05 * (v[-1] - v[0]) for v in (xs, ys)]
        axes.set(xlim=(xs[0] - pads[0], xs[-1] + pads[0]), ylim=(ys[0] - pads[1], ys[-1] + pads[1]))
        scale_bar(
            figure, row, shades, f"Half-width of the foretold mean ({unit})", levels, even(levels)
        )
        settle()
    digits = decimals_for(high)
    alt = (
        f"Map of the half-width of the 95 % interval of foretold {quantity}: from {number(low, digits)} to "
        f"{number(high, digits)} {unit} over the settings shown, {len(planned)} runs marked."
    )
    return Picture(
        "plan-doubt",
        figure,
        alt,
        f"Half-width of the 95 % interval of the foretold mean of {quantity}.",
    )


def _fields(
    precision: Precision, view: View, sd: float
) -> tuple[FloatArray, FloatArray, list[FloatArray]]:
    coding = precision.study.coding
    side = np.linspace(-1, 1, FINE)
    axes = [
        np.asarray(coding[name or ""].decode(side), dtype=float) for name in (view.across, view.up)
    ]
    x, y = np.meshgrid(*axes)
    fields = []
    for panel in view.panels:
        settings = {n: np.full(x.size, panel[n]) for n in panel}
        coded = coding.code({**settings, view.across: x.ravel(), view.up: y.ravel()})  # type: ignore[dict-item]
        fields.append((sd * precision.half_width(coded)).reshape(x.shape))
    return axes[0], axes[1], fields


def draw_shares(plans: Mapping[str, Precision], sd: float, quantity: str, unit: str) -> Picture:
    """Draw, for one or more plans, which share of the allowed settings is known how well.

    Parameters
    ----------
    plans : mapping of name to Precision
        At most three.
    sd : float
        Scatter between prints, in ``unit``.
    quantity, unit : str
        What is foretold.

    Returns
    -------
    Picture
    """
    with drawing():
        keys = []
        figure = framed(
            f"How much of the settings will be known how well ({quantity})",
            "Read upwards from a share: at so many settings the foretold mean is known at least so well.",
            2.9,
            foot=key_rows([key_mark(n, marker="o", ms=4) for n in plans])
            if len(plans) > 1
            else 0.0,
        )
        axes = figure.subplots()
        for (name, precision), colour, dash in zip(
            plans.items(), cycle((ACCENT, *PALETTE)), cycle(DASHES), strict=False
        ):
            y = sd * precision.shares
            x = 100 * (np.arange(len(y)) + 1) / len(y)
            axes.plot(x, y, color=colour, lw=2.2, ls=dash, zorder=3, label=name)
            keys.append(axes.lines[-1])
        axes.set(xlim=(0, 100), ylim=(0, None))
        axes.grid(axis="both", color=LINE, lw=0.6, zorder=0.5)
        round_ticks(axes.xaxis, 5)
        round_ticks(axes.yaxis, 6)
        axes.set_xlabel("Share of the allowed settings (%)")
        axes.set_ylabel(wrapped(f"Half-width ({unit})", 2.6, BODY, lines=2))
        if len(plans) > 1:
            foot_key(figure, keys)
        finish(figure)
    said = "; ".join(
        _share_words(name if len(plans) > 1 else "", p, sd, unit) for name, p in plans.items()
    )
    return Picture(
        "plan-shares",
        figure,
        f"Share of the settings against half-width. {said}.",
        f"Share of the allowed settings at which {quantity} is known at least so well.",
    )


def _share_words(name: str, precision: Precision, sd: float, unit: str) -> str:
    y = sd * precision.shares
    ends = [plain(float(f"{v:.3g}")) for v in (np.quantile(y, 0.5), np.quantile(y, 0.9), y[-1])]
    return f"{name + ': ' if name else ''}half of the settings to ±{ends[0]} {unit}, 90 % to ±{ends[1]}, all to ±{ends[2]}"
