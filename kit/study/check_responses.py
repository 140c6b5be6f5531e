"""Responses and requirements that contradict themselves or their recipe."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from kit.study.check_outcomes import comes_out_findings, outcome_findings
from kit.study.check_scale import scale_findings
from kit.study.check_special import special_findings
from kit.study.description import Response, Study
from kit.study.lines import KeyPath
from kit.study.names import clash_findings, name_findings
from kit.study.nearest import number
from kit.study.quantities import response_range
from kit.study.units import recipe_unit, response_unit, unit_hint, unit_symbol, with_unit
from kit.words import QUANTITIES, UNITS, conversion

Finding = tuple[KeyPath, str]

_ONLY_FOR = {
    "nominal": ("dimension",),
    "span": ("three_point_bending",),
    "geometry": ("gloss",),
    "strength_property": ("three_point_bending", "tensile"),
    "feature": ("dimension",),
    "limit_of_scale": ("direct", "gloss", "three_point_bending", "tensile"),
}
SIZE_LIKE = 0.2
"""A limit within this share of the nominal is a size, not a deviation."""

SPAN_MM = (4.0, 500.0)
"""Supports of desktop rigs (common practice, no source)."""


def check_responses(study: Study, recipe_known: Callable[[int], bool]) -> Iterator[Finding]:
    """Find what is wrong with the responses.

    Parameters
    ----------
    study : Study
        A draft: responses may lack anything.
    recipe_known : callable
        Whether the recipe of the response at a position could be read; if not, only the order of its
        limits is checked.

    Yields
    ------
    tuple of KeyPath and str
        Where, and what to do.
    """
    yield from name_findings("response", [r.name for r in study.responses])
    yield from clash_findings(study)
    yield from comes_out_findings(study)
    yield from special_findings(study)
    for i, response in enumerate(study.responses):
        checks = (
            _unit,
            _own_keys,
            _nominal,
            _plausible,
            _limits,
            _limit_range,
            scale_findings,
            outcome_findings,
        )
        for check in checks if recipe_known(i) else (_limits,):
            for key, text in check(response):
                yield ("response", i, key), text


def _unit(response: Response) -> Iterator[tuple[str, str]]:
    if not response.unit:
        return
    symbol, wanted = unit_symbol(response.unit), recipe_unit(response)
    hint = unit_hint(response.unit)
    if not wanted:
        if symbol is None and hint is not None:
            yield "unit", f"unit {response.unit!r} is not known; did you mean {hint}?"
        return
    kind = UNITS[wanted].kind
    if symbol is None or UNITS[symbol].kind != kind:
        fitting = [u.symbol for u in UNITS.values() if u.kind == kind]
        meant = f" Did you mean {hint}?" if hint in fitting else ""
        yield (
            "unit",
            f"unit {response.unit!r} does not fit {response.recipe}; allowed: {', '.join(fitting)}.{meant}",
        )


def _own_keys(response: Response) -> Iterator[tuple[str, str]]:
    """Find keys of other recipes, and keys that the recipe cannot do without."""
    for key, recipes in _ONLY_FOR.items():
        given = key in response.model_fields_set and getattr(response, key) is not None
        if given and response.recipe not in recipes:
            key = "property" if key == "strength_property" else key
            yield (
                key,
                f'{key} is for from = "{recipes[0]}"; this response is {response.recipe}. Delete the key or change from.',
            )
    if response.limit_of_scale is not None and response.strength_property != "strength":
        text = (
            f"a limit is for what grows until the instrument ends; {response.strength_property} is read off the curve below "
            "it. Delete the key."
        )
        yield "limit_of_scale", text
    if response.recipe == "dimension" and response.nominal is None:
        yield (
            "nominal",
            f"a dimension needs its drawn size: write nominal = ... ({response_unit(response)}).",
        )
    if response.recipe == "three_point_bending":
        if response.span is None and response.strength_property == "strength":
            yield "span", "bending needs the distance of the supports: write span = ... (mm)."
        elif response.span is not None and not SPAN_MM[0] <= response.span <= SPAN_MM[1]:
            yield (
                "span",
                f"found {number(response.span)} mm; supports stand {number(SPAN_MM[0])} to {number(SPAN_MM[1])} mm apart. Is it in mm?",
            )


def _nominal(response: Response) -> Iterator[tuple[str, str]]:
    unit = response_unit(response)
    scale = conversion(unit, "mm")
    if response.recipe != "dimension" or response.nominal is None or scale is None:
        return
    q = QUANTITIES["dimension"]
    if not q.low <= response.nominal * scale <= q.high:
        span = f"{number(q.low / scale)} to {with_unit(q.high / scale, unit)}"
        yield (
            "nominal",
            f"found {with_unit(response.nominal, unit)}; a drawn size lies within {span}.",
        )
        return
    for key in ("lower", "upper", "target"):
        limit = getattr(response, key)
        if limit is not None and _looks_like_size(response, limit):
            deviation = number(round(limit - response.nominal, 9))
            yield (
                key,
                (
                    f"{key} {with_unit(limit, unit)} looks like a size; limits of a dimension are deviations from "
                    f"nominal: write {deviation}."
                ),
            )


def _looks_like_size(response: Response, limit: float) -> bool:
    nominal = response.nominal
    return (
        response.recipe == "dimension"
        and nominal is not None
        and abs(limit - nominal) < SIZE_LIKE * nominal
    )


def _plausible(response: Response) -> Iterator[tuple[str, str]]:
    if response.plausible is None:
        return
    low, high = response.plausible
    if low > high:
        yield (
            "plausible",
            f"found [{number(low)}, {number(high)}]; the lower comes first: [{number(high)}, {number(low)}].",
        )
    elif low == high:
        yield (
            "plausible",
            f"both are {number(low)}; write the lowest and the highest reading that you would believe.",
        )
    elif (
        response.recipe == "dimension"
        and response.nominal is not None
        and not low <= response.nominal <= high
    ):
        yield (
            "plausible",
            (
                f"found [{number(low)}, {number(high)}]; for a dimension it is the size as read, so it must hold "
                f"the nominal {number(response.nominal)}."
            ),
        )


def _limits(response: Response) -> Iterator[tuple[str, str]]:
    lower, upper, target, unit = (
        response.lower,
        response.upper,
        response.target,
        response_unit(response),
    )
    if lower is not None and upper is not None and lower >= upper:
        remedy = "swap them" if lower > upper else "leave room between them"
        yield (
            "lower",
            f"lower {with_unit(lower, unit)} is not below upper {with_unit(upper, unit)}; {remedy} or remove one.",
        )
    elif target is not None and lower is not None and target < lower:
        yield (
            "target",
            f"target {with_unit(target, unit)} is below lower {with_unit(lower, unit)}; it must lie between the limits.",
        )
    elif target is not None and upper is not None and target > upper:
        yield (
            "target",
            f"target {with_unit(target, unit)} is above upper {with_unit(upper, unit)}; it must lie between the limits.",
        )


def _limit_range(response: Response) -> Iterator[tuple[str, str]]:
    low, high = response_range(response)
    unit = response_unit(response)
    if low > high:  # reported already
        return
    for key in ("lower", "upper", "target", "limit_of_scale"):
        value = getattr(response, key)
        if value is not None and not low <= value <= high and not _looks_like_size(response, value):
            expected = f"{number(low)} to {with_unit(high, unit)}"
            yield (
                key,
                f"{key} {with_unit(value, unit)} is outside what is plausible, {expected}. Wrong unit, or a lost decimal point?",
            )
