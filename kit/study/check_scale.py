"""Scales of responses that do not fit what is measured, or what is required of it."""

from __future__ import annotations

from collections.abc import Iterator

from kit.study.description import Response
from kit.study.nearest import number
from kit.study.units import response_unit, with_unit

POWERS = (-3.0, 3.0)
"""Powers that can be asked for; beyond them no scale is of practical use (common practice, no source)."""

_NOT_FOR = {
    "dimension": "a dimension is a deviation from nominal, which may be above or below 0",
    "score": "scores are steps, which have no scale of their own",
}


def scale_findings(response: Response) -> Iterator[tuple[str, str]]:
    """Find what is wrong with the scale of a response.

    Parameters
    ----------
    response : Response
        A draft.

    Yields
    ------
    tuple of str and str
        Key, and what to do.
    """
    scale = response.scale
    if response.bounds is not None and scale != "share":
        yield "bounds", 'bounds are for scale = "share"; delete the key, or add scale = "share".'
    if scale == "as_measured":
        return
    if response.recipe in _NOT_FOR:
        yield "scale", f"{_NOT_FOR[response.recipe]}; delete the key, it is fitted as measured."
        return
    if isinstance(scale, float) and not POWERS[0] <= scale <= POWERS[1]:
        yield (
            "scale",
            f"found power {number(scale)}; a power lies within {number(POWERS[0])} to {number(POWERS[1])}, 0 for the logarithm.",
        )
        return
    yield from _share_findings(response) if scale == "share" else _positive_findings(response)


def _share_findings(response: Response) -> Iterator[tuple[str, str]]:
    low, high = response.share_bounds
    if low >= high:
        yield (
            "bounds",
            f"found [{number(low)}, {number(high)}]; the lower comes first, and no value can pass either.",
        )
        return
    unit = response_unit(response)
    for key, value in _limits(response):
        if not low < value < high:
            yield (
                key,
                (
                    f"{key} {with_unit(value, unit)} does not lie between the bounds {number(low)} and {with_unit(high, unit)}: "
                    "every part meets it, or none. Delete it, or write bounds = [lowest, highest] possible."
                ),
            )


def _positive_findings(response: Response) -> Iterator[tuple[str, str]]:
    for key, value in _limits(response):
        if value <= 0:
            yield (
                key,
                (
                    f"{key} {with_unit(value, response_unit(response))}: on this scale every value is above 0, so a limit must be too. "
                    "Delete it, or delete scale."
                ),
            )


def _limits(response: Response) -> Iterator[tuple[str, float]]:
    for key in ("lower", "upper", "target"):
        value = getattr(response, key)
        if value is not None:
            yield key, float(value)
