"""Units as makers write them: ``degC`` or the sign for it; and which unit fits what."""

from __future__ import annotations

from kit.study.description import Factor, Response
from kit.study.nearest import nearest
from kit.words import FACTOR_KINDS, UNITS, conversion, unit_label

RECIPE_UNITS = {
    "dimension": "mm",
    "gloss": "GU",
    "three_point_bending": "MPa",
    "tensile": "MPa",
    "score": "points",
    "pass_fail": "",
    "direct": "",
}
"""The unit of a response when none is written."""

STRENGTH_RECIPES = ("three_point_bending", "tensile")

_FOREIGN = {
    "c": "degC",
    "f": "degC",
    "k": "degC",
    "fahrenheit": "degC",
    "kelvin": "degC",
    "celsius": "degC",
    "micron": "um",
    "microns": "um",
    "inch": "mm",
    "in": "mm",
    "percent": "%",
    "newton": "N",
    "gloss": "GU",
    "gloss units": "GU",
    "n/mm2": "MPa",
    "n/mm²": "MPa",
    "sec": "s",
}
"""Other spellings and other systems, and the unit to write instead; values may need converting."""

_LABELS = {unit.label: symbol for symbol, unit in UNITS.items()} | {"μm": "um"}  # Greek mu as well


def unit_symbol(text: str) -> str | None:
    """Give the symbol of a unit written as symbol or as pages print it; None when it is not known.

    Returns
    -------
    str or None

    Examples
    --------
    >>> unit_symbol("°C"), unit_symbol("mm/s²"), unit_symbol("furlong")
    ('degC', 'mm/s2', None)
    """
    text = text.strip()
    return text if text in UNITS else _LABELS.get(text)


def unit_hint(text: str) -> str | None:
    """Give the known unit that an unknown one was probably meant to be, or None.

    Returns
    -------
    str or None

    Examples
    --------
    >>> unit_hint("Mpa"), unit_hint("micron"), unit_hint("dB")
    ('MPa', 'um', None)
    """
    plain = text.strip().casefold()
    same_but_for_capitals = [s for s in UNITS if s.casefold() == plain]
    if same_but_for_capitals:
        return same_but_for_capitals[0]
    if plain in _FOREIGN:
        return _FOREIGN[plain]
    return nearest(text, [u for u in UNITS if len(u) > 2]) if len(plain) > 2 else None


def factor_unit(factor: Factor) -> str:
    """Give the unit of a factor, the default of its kind where none is written."""
    if factor.unit:
        return unit_symbol(factor.unit) or factor.unit
    allowed = FACTOR_KINDS[factor.kind].units
    return allowed[0] if allowed else ""


def response_unit(response: Response) -> str:
    """Give the unit of a response, the default of its recipe where none is written."""
    if response.unit:
        return unit_symbol(response.unit) or response.unit
    return recipe_unit(response)


def recipe_unit(response: Response) -> str:
    """Give the unit that the recipe itself speaks of: strains read off a curve are in percent."""
    strain = response.strength_property.startswith("strain")
    return "%" if strain and response.recipe in STRENGTH_RECIPES else RECIPE_UNITS[response.recipe]


def kind_range(factor: Factor) -> tuple[float, float] | None:
    """Give the plausible settings of a factor in its own unit, or None where the kind knows none."""
    kind = FACTOR_KINDS[factor.kind]
    if not kind.units:
        return None
    # A unit that does not fit was reported; the values are then judged in the unit they should have.
    to_first = conversion(factor_unit(factor), kind.units[0]) or 1.0
    return kind.low / to_first, kind.high / to_first


def with_unit(value: float, unit: str) -> str:
    """Write a value with its unit as pages do.

    Returns
    -------
    str

    Examples
    --------
    >>> with_unit(230.0, "degC"), with_unit(5, "")
    ('230 °C', '5')
    """
    return f"{value + 0.0:.10g} {unit_label(unit)}".strip()
