"""What another scale means for the numbers of a response, in a maker's words."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from kit.model.scale import Scale
from kit.model.surface import Surface
from kit.saying import MINUS, amount, listed, rounded, span
from kit.study.description import Response
from kit.words import unit_label

SMALL_SHARE = 0.3
"""Up to this a scatter of ratios is said in percent, above it as a factor."""


def scale_note(scale: Scale, stated: Response) -> str:
    """Say on which scale a response was fitted, and what that means for its numbers; empty where as measured.

    Returns
    -------
    str
    """
    title = stated.title
    if scale.is_plain:
        return power_note(scale, stated)
    said = f"{title[:1].upper()}{title[1:]} was fitted as {_spoken(scale, stated)}."
    if scale.shrunk:
        bound, other = scale.bounds
        said += (
            f" Some prints lie at a bound, which has no place on that scale: all were moved a little inwards first, {amount(bound, stated.unit)} to "
            f"{amount(bound + (other - bound) * 0.5 / scale.shrunk, stated.unit)} for one."
        )
    said += (
        " What is foretold is given in its own unit: the typical value is the middle one (half of new prints lie above it), and "
        "its limits are not symmetric."
    )
    if scale.interval is not None:
        low, high = (rounded(v, 1.0) for v in scale.interval)
        said += f" Its power was found from these prints (95 % interval {low} to {high}); see the note at the top."
    return said


def power_note(scale: Scale, stated: Response) -> str:
    """Say how a power was found from the prints, and what that costs; empty where it was not.

    Returns
    -------
    str
    """
    if scale.interval is None:
        return ""
    low, high = (rounded(v, 1.0) for v in scale.interval)
    if scale.is_plain:
        return (
            f"The prints do not call for another scale of {stated.title} (95 % interval of the power {low} to {high}, which holds 1), so it is "
            "fitted as measured."
        )
    power = f"{scale.power:g}".replace("-", MINUS)
    return (
        f"The power {power} of {stated.title} was found from these same prints (95 % interval {low} to {high}); that it was is not counted, so "
        "its limits and chances are too sure: in simulated plans of 13 prints, limits meant to hold 95 of 100 new parts held 91. If you know "
        "beforehand which scale suits it, name that one."
    )


def judged_as_measured(responses: Iterable[Response]) -> tuple[str, ...]:
    """Say which responses are judged as measured although the study fits them on another scale.

    Returns
    -------
    tuple of str
        One sentence, or none.
    """
    titles = [r.title for r in responses if r.scale not in ("as_measured", 1.0)]
    if not titles:
        return ()
    are = "it is" if len(titles) == 1 else "they are"
    return (f"The study fits {listed(titles)} on another scale; here {are} judged as measured.",)


def middle_part_note(surfaces: Iterable[Surface]) -> tuple[str, ...]:
    """Say of which responses the middle part is expected, not the mean: those fitted on another scale.

    Returns
    -------
    tuple of str
        One sentence, or none.
    """
    titles = [s.stated.title for s in surfaces if not s.scale.is_plain]
    if not titles:
        return ()
    are = "it is" if len(titles) == 1 else "they are"
    text = (
        f"Expected of {listed(titles)} is the middle part (half of them lie above it), since {are} fitted on another scale; "
        "its limits are not symmetric."
    )
    return (text,)


def _spoken(scale: Scale, stated: Response) -> str:
    if scale.kind == "log":
        return f"its {scale.spoken}, on which equal steps are equal ratios"
    if scale.kind == "share":
        least, most = (f"{b:g}" for b in scale.bounds)
        return (
            f"its log odds between {least} and {most} {unit_label(stated.unit)}".strip()
            + ", which no part can pass"
        )
    turned = ", turned so that more stays more" if scale.power < 0 else ""
    return f"its {scale.spoken}{turned}"


def spread_words(surface: Surface, sd: float, width: float | None = None) -> str:
    """Say a scatter or a miss on the fitted scale as a maker reads it.

    Parameters
    ----------
    surface : Surface
        Gives scale and unit.
    sd : float
        On the fitted scale, >= 0.
    width : float, optional
        Shown to two figures of this size (as measured only).

    Returns
    -------
    str
        In the response's unit; of a logarithm in percent or as a factor; on other scales in the unit, at a typical print.
    """
    if surface.scale.is_plain:
        return amount(sd, surface.response.unit, width)
    if surface.scale.kind != "log":
        return amount(sd / surface.stretch, surface.stated.unit)
    share = float(np.expm1(sd))
    if share <= SMALL_SHARE and surface.stated.unit != "%":
        return f"{rounded(100 * share)} %"
    return f"a factor of {rounded(1 + share, 0.1 + share)}"


def change_words(surface: Surface, estimate: float, low: float, high: float) -> str:
    """Say a change on the fitted scale, with its limits in brackets left open for more words.

    Parameters
    ----------
    surface : Surface
        Gives scale and unit.
    estimate, low, high : float
        On the fitted scale; either sign.

    Returns
    -------
    str
        Such as ``-0.9 N (-1.9 to 0.1 N``; of a logarithm a factor, on other scales at a typical print.
    """
    if surface.scale.kind == "log":
        ratio, least, most = (float(v) for v in np.exp([estimate, low, high]))
        return f"a factor of {rounded(ratio)} ({rounded(least)} to {rounded(most)}"
    by, unit = (
        (1.0, surface.response.unit)
        if surface.scale.is_plain
        else (surface.stretch, surface.stated.unit)
    )
    estimate, low, high = estimate / by, low / by, high / by
    return f"{amount(estimate, unit, (high - low) / 2)} ({span(low, high, unit)}"
