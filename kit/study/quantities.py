"""Which quantities ``readings.csv`` may hold, and what each belongs to.

One rule: **a reading is named after its response, and a part of a response is ``<response>_<part>``.**

- ``direct``, ``score``, ``pass_fail``: quantity = the response's name.
- ``dimension``: quantity = the response's name, value = the size as measured (the recipe subtracts the
  nominal), in any unit of length.
- ``gloss``: quantity = the response's name; each spot is a ``repeat``. Where gloss along and across the
  lines is kept apart: ``<response>_along`` and ``<response>_across``.
- ``three_point_bending``, ``tensile``: ``<response>_force``, ``<response>_width``,
  ``<response>_thickness`` of each specimen; or the response's name for a strength worked out elsewhere.

Short names: ``force``, ``width`` and ``thickness`` alone will do when only one response of the study is
measured that way. With two such responses the short name would be ambiguous and is refused.
After intake the column ``quantity`` holds the short name where there is one, and the columns
``response`` and ``part`` say what the reading is for.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass
from math import inf

from kit.study.description import Response, Study
from kit.study.units import response_unit
from kit.words import QUANTITIES, UNITS, conversion

STRENGTH_INPUTS = ("force", "width", "thickness")
RECIPE_INPUTS: Mapping[str, tuple[str, ...]] = {
    "three_point_bending": STRENGTH_INPUTS,
    "tensile": STRENGTH_INPUTS,
}
"""What a recipe computes from."""


def inputs_of(response: Response) -> tuple[str, ...]:
    """Give what is read for a response besides itself; what comes off a curve has no readings of its own."""
    return (
        RECIPE_INPUTS.get(response.recipe, ()) if response.strength_property == "strength" else ()
    )


GLOSS_DIRECTIONS = ("along", "across")

VALUE = "value"
"""The part of a reading that is the response itself."""

DIMENSION_SHARE, DIMENSION_LEAST_MM = 0.25, 1.0
"""A size is plausible within a quarter of its nominal, at least 1 mm (common practice, no source)."""


@dataclass(frozen=True)
class ReadQuantity:
    """One quantity that can be read.

    Attributes
    ----------
    name : str
        As the kit writes it in ``readings.csv``.
    response, part : str
        What it belongs to: ``value``, ``along``, ``across``, ``force``, ``width`` or ``thickness``.
    unit : str
        The unit the value is converted to.
    low, high : float
        Plausible range in that unit.
    """

    name: str
    response: str
    part: str
    unit: str
    low: float
    high: float


def quantity_names(study: Study) -> dict[str, ReadQuantity]:
    """Give every name that ``readings.csv`` may use, long and short, with what it means."""
    names: dict[str, ReadQuantity] = {}
    ambiguous = ambiguous_names(study)
    for response in study.responses:
        value = _value_quantity(response)
        names[response.name] = value
        if response.recipe == "gloss":
            for direction in GLOSS_DIRECTIONS:
                long = f"{response.name}_{direction}"
                names[long] = ReadQuantity(
                    long, response.name, direction, value.unit, value.low, value.high
                )
        for part in inputs_of(response):
            q, long = QUANTITIES[part], f"{response.name}_{part}"
            short = long if part in ambiguous else part
            read = ReadQuantity(short, response.name, part, q.unit, q.low, q.high)
            names[long] = names[short] = read
    return names


def ambiguous_names(study: Study) -> dict[str, tuple[str, ...]]:
    """Give the short names that two or more responses would share, with the long names to write instead."""
    users: dict[str, list[str]] = {}
    for response in study.responses:
        for part in inputs_of(response):
            users.setdefault(part, []).append(f"{response.name}_{part}")
    return {part: tuple(long) for part, long in users.items() if len(long) > 1}


def quantities_to_read(study: Study) -> tuple[ReadQuantity, ...]:
    """Give what a maker reads on every specimen, in study order: the inputs of a recipe, else the value."""
    names = quantity_names(study)
    wanted = []
    for response in study.responses:
        if response.strength_property != "strength":
            continue
        parts = inputs_of(response)
        longs = [f"{response.name}_{part}" for part in parts] or [response.name]
        wanted += [names[long] for long in longs]
    return tuple(wanted)


def is_complete(response: Response, parts: Set[str]) -> bool:
    """Whether the parts read on a specimen are enough to compute the response."""
    if VALUE in parts:
        return True
    if response.recipe == "gloss":
        return not parts.isdisjoint(GLOSS_DIRECTIONS)
    inputs = inputs_of(response)
    return bool(inputs) and set(inputs) <= parts


def response_range(response: Response) -> tuple[float, float]:
    """Give the plausible range of what the response's own limits speak of.

    For a dimension that is the deviation from nominal; ``plausible`` does not apply to it, since that
    speaks of the size as read.

    Parameters
    ----------
    response : Response
        Unit and recipe count; a unit that does not fit the recipe gives an open range.

    Returns
    -------
    tuple of (float, float)
        In the response's unit.
    """
    if response.passes_or_fails:
        return (0.0, 1.0)
    if response.plausible and response.recipe != "dimension":
        return response.plausible
    quantity = {
        "dimension": "deviation",
        "gloss": "gloss",
        "three_point_bending": "strength",
        "tensile": "strength",
        "score": "score",
    }.get(response.recipe)
    if response.strength_property.startswith("strain"):
        quantity = "strain"
    elif response.strength_property == "modulus":
        quantity = "modulus"
    unit = response_unit(response)
    if quantity is None:
        return (UNITS[unit].low, UNITS[unit].high) if unit in UNITS else (-inf, inf)
    q = QUANTITIES[quantity]
    scale = conversion(q.unit, unit)
    return (q.low * scale, q.high * scale) if scale is not None else (-inf, inf)


def _value_quantity(response: Response) -> ReadQuantity:
    low, high = response_range(response)
    if response.recipe == "dimension":
        low, high = response.plausible or _size_range(response)
    return ReadQuantity(response.name, response.name, VALUE, response_unit(response), low, high)


def _size_range(response: Response) -> tuple[float, float]:
    """Give the plausible sizes around the nominal, in the response's unit."""
    unit = response_unit(response)
    to_unit = conversion("mm", unit)
    if response.nominal is None or to_unit is None:
        q = QUANTITIES["dimension"]
        return (q.low * (to_unit or 1.0), q.high * (to_unit or 1.0))
    reach = max(DIMENSION_SHARE * abs(response.nominal), DIMENSION_LEAST_MM * to_unit)
    return max(0.0, response.nominal - reach), response.nominal + reach
