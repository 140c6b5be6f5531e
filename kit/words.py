"""Every unit, quantity and factor kind of the trade, said once.

What a column is called in print, which units it may come in, what a plausible value is and how many
decimals make sense. Ranges are there to catch slips of the pen (a lost decimal point, microns typed as
millimetres), not to judge a result; they are common practice, no source, unless one is named.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

CONFIRMATION = "confirmation"
"""The round that tests the recommended settings; it never enters a fit."""

KG_FORCE_N = 9.80665
"""Standard gravity, N per kg (ISO 80000-4: 9.806 65 m/s2), to read hook scales."""


def capital(text: str) -> str:
    """Give the text with a capital first letter, all others as they are."""
    return text[:1].upper() + text[1:]


@dataclass(frozen=True)
class Unit:
    """A unit of measurement.

    Attributes
    ----------
    symbol : str
        As written in files: plain ASCII.
    kind : str
        Units of one kind convert into each other.
    factor : float
        Multiply by this to reach the kind's base unit.
    label : str
        As written on pages and axes.
    low, high : float
        Plausible range of a reading in this unit when nothing better is known.
    """

    symbol: str
    kind: str
    factor: float
    label: str
    low: float = -inf
    high: float = inf


@dataclass(frozen=True)
class Quantity:
    """Something an instrument reads: the input of a recipe, or what a recipe gives.

    Attributes
    ----------
    name, label : str
        Name in ``readings.csv``; name in print.
    unit : str
        The unit the kit computes in.
    low, high : float
        Plausible range in that unit.
    decimals : int
        Sensible decimals in print.
    """

    name: str
    label: str
    unit: str
    low: float
    high: float
    decimals: int


@dataclass(frozen=True)
class FactorKind:
    """A kind of factor: what the printer or the user can set.

    Attributes
    ----------
    name, label : str
        Name in ``study.toml``; name in print.
    units : tuple of str
        Units allowed; the first is the default; empty = any.
    low, high : float
        Plausible settings in the first unit.
    decimals : int
        Sensible decimals in print.
    """

    name: str
    label: str
    units: tuple[str, ...]
    low: float
    high: float
    decimals: int


def _table(*units: Unit) -> dict[str, Unit]:
    return {unit.symbol: unit for unit in units}


UNITS = _table(
    Unit("degC", "temperature", 1.0, "°C", -60, 600),
    Unit("mm", "length", 1.0, "mm", -2000, 2000),
    Unit("um", "length", 1e-3, "µm", -2e6, 2e6),
    Unit("cm", "length", 10.0, "cm", -200, 200),
    Unit("mm/s", "speed", 1.0, "mm/s", 0, 2000),
    Unit("mm/s2", "acceleration", 1.0, "mm/s²", 0, 1e6),
    Unit("mm3/s", "throughput", 1.0, "mm³/s", 0, 200),
    Unit("mm2", "area", 1.0, "mm²", 0, 1e6),
    Unit("%", "share", 1.0, "%", -1000, 1000),
    Unit("GU", "gloss", 1.0, "GU", 0, 200),
    Unit("MPa", "stress", 1.0, "MPa", 0, 5000),
    Unit("GPa", "stress", 1000.0, "GPa", 0, 500),
    Unit("N", "force", 1.0, "N", 0, 100000),
    Unit("kN", "force", 1000.0, "kN", 0, 100),
    Unit("kgf", "force", KG_FORCE_N, "kgf", 0, 10000),
    Unit("g", "mass", 1.0, "g", 0, 20000),
    Unit("kg", "mass", 1000.0, "kg", 0, 20),
    Unit("s", "time", 1.0, "s", 0, 1e7),
    Unit("min", "time", 60.0, "min", 0, 1e5),
    Unit("h", "time", 3600.0, "h", 0, 1e4),
    Unit("J", "energy", 1.0, "J", 0, 1e5),
    Unit("points", "score", 1.0, "points", 0, 5),
)

QUANTITIES = {
    q.name: q
    for q in (
        Quantity("force", "Force", "N", 0, 100000, 1),
        Quantity("width", "Width", "mm", 0.1, 500, 2),
        Quantity("thickness", "Thickness", "mm", 0.05, 100, 2),
        Quantity("length", "Length", "mm", 0.05, 1000, 2),
        Quantity("dimension", "Dimension", "mm", 0.02, 1000, 3),
        Quantity("deviation", "Deviation from nominal", "mm", -20, 20, 3),
        Quantity("gloss", "Gloss", "GU", 0, 200, 1),
        Quantity("strength", "Strength", "MPa", 0, 1000, 1),
        Quantity("modulus", "Modulus", "MPa", 0, 200000, 0),
        Quantity("strain", "Strain", "%", 0, 2000, 2),
        Quantity("score", "Score", "points", 0, 5, 1),
    )
}

FACTOR_KINDS = {
    kind.name: kind
    for kind in (
        FactorKind("nozzle_temperature", "Nozzle temperature", ("degC",), 120, 500, 0),
        FactorKind("bed_temperature", "Bed temperature", ("degC",), 0, 200, 0),
        FactorKind("speed", "Speed", ("mm/s",), 1, 1000, 0),
        FactorKind("fan_duty", "Fan duty", ("%",), 0, 100, 0),
        FactorKind("layer_height", "Layer height", ("mm", "um"), 0.02, 2, 2),
        FactorKind("flow", "Flow", ("%",), 20, 300, 0),
        FactorKind("category", "Category", (), -inf, inf, 0),
        FactorKind("other", "Setting", (), -inf, inf, 2),
    )
}


def unit_label(symbol: str) -> str:
    """Give the unit as pages write it; an unknown unit stays as the user wrote it.

    Returns
    -------
    str

    Examples
    --------
    >>> unit_label("degC"), unit_label("furlong")
    ('°C', 'furlong')
    """
    return UNITS[symbol].label if symbol in UNITS else symbol


def conversion(unit: str, to: str) -> float | None:
    """Give the factor that turns a value in ``unit`` into ``to``, or None for different kinds.

    A mass unit given where a force is wanted is read as a hook scale shows it: kilograms-force.

    Returns
    -------
    float | None

    Examples
    --------
    >>> conversion("um", "mm"), conversion("GU", "mm"), conversion("kg", "N")
    (0.001, None, 9.80665)
    """
    if unit == to:
        return 1.0
    if unit not in UNITS or to not in UNITS:
        return None
    source, target = UNITS[unit], UNITS[to]
    if source.kind == target.kind:
        return source.factor / target.factor
    if source.kind == "mass" and target.kind == "force":
        return source.factor / 1000.0 * KG_FORCE_N / target.factor
    return None
