"""A strip: the allowed span of one response, with its limits, for what is foretold or measured to be drawn on."""

from __future__ import annotations

from collections.abc import Iterable
from math import isfinite

from matplotlib.axes import Axes

from kit.charts.style import ALLOWED, BAND, INK
from kit.study.description import Response

PAD = 0.08
"""Room beside the outermost mark, as a share of the span."""


def begin_strip(axes: Axes, response: Response, marks: Iterable[float]) -> tuple[float, float]:
    """Draw the allowed span and the limits of a response.

    Parameters
    ----------
    axes : Axes
        Upwards it goes from 0 to 1.
    response : Response
        Its limits and target, in the unit of the marks.
    marks : iterable of float
        What else must find room; ends that a scale does not reach are left out.

    Returns
    -------
    left, right : float
        Ends of the axis.
    """
    ends = [float(v) for v in marks if isfinite(v)]
    ends += [v for v in (response.lower, response.upper, response.target) if v is not None]
    low, high = min(ends), max(ends)
    pad = PAD * (high - low or abs(high) or 1.0)
    left, right = low - pad, high + pad
    axes.set(xlim=(left, right), ylim=(0, 1))
    axes.axvspan(left, right, color=BAND, lw=0, zorder=0)
    if response.has_limits:
        first = left if response.lower is None else response.lower
        last = right if response.upper is None else response.upper
        axes.axvspan(first, last, color=ALLOWED, lw=0, zorder=1)
    for limit in (response.lower, response.upper):
        if limit is not None:
            axes.axvline(limit, color=INK, lw=2.0, zorder=2)
    return left, right
