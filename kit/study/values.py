"""Values of readings: into the unit of their quantity, and whether anybody would believe them."""

from __future__ import annotations

import numpy as np

from kit.study.nearest import echo, number
from kit.study.quantities import STRENGTH_INPUTS, ReadQuantity
from kit.study.units import unit_hint, unit_symbol, with_unit
from kit.terms import FloatArray
from kit.words import UNITS, conversion


def unit_factor(cell: str, wanted: str | None) -> tuple[float, str | None]:
    """Give the factor into the wanted unit, and what is wrong with the unit."""
    if wanted is None or not cell:
        return 1.0, None
    symbol = unit_symbol(cell) or cell
    factor = conversion(symbol, wanted)
    if factor is not None:
        return factor, None
    if not wanted:
        return (
            1.0,
            f"found {echo(cell)}, but the response has no unit in study.toml; write unit = {cell!r} there, or clear this cell.",
        )
    kind = UNITS[wanted].kind if wanted in UNITS else None
    fitting = [u for u in UNITS if conversion(u, wanted) is not None] or [wanted]
    hint = unit_hint(cell)
    meant = f" Did you mean {hint}?" if hint in fitting and symbol not in UNITS else ""
    what = f"is no unit of {kind}" if kind else f"is not the unit {wanted} of this quantity"
    return 1.0, f"unit {echo(cell)} {what}; allowed: {', '.join(fitting)}.{meant}"


def scaled(values: FloatArray, factors: FloatArray) -> FloatArray:
    """Multiply, but divide where the factor is one over a whole number: 20010 um are 20.01 mm to the last bit."""
    inverse = np.maximum(np.round(1 / factors), 1.0)
    divide = (factors < 1) & (np.abs(factors * inverse - 1) < 1e-12)
    return np.asarray(np.where(divide, values / inverse, values * factors), dtype=float)


def expected(q: ReadQuantity) -> str:
    """Say which values of a quantity are plausible."""
    if np.isinf(q.high):
        return f"at least {with_unit(q.low, q.unit)}"
    if np.isinf(q.low):
        return f"at most {with_unit(q.high, q.unit)}"
    return f"{number(q.low)} to {with_unit(q.high, q.unit)}"


def range_hint(typed: float, unit: str, q: ReadQuantity) -> str:
    """Guess a slip of the pen: another unit of the same kind, or the decimal point.

    Parameters
    ----------
    typed : float
        The value as it stands in the file.
    unit : str
        Its unit there; empty = that of the quantity.
    q : ReadQuantity
        What was read.

    Returns
    -------
    str
        A sentence with a blank before it.
    """
    written = unit_symbol(unit) or q.unit
    for other in ("mm", "um", "cm", "MPa", "GPa", "N", "kN", "kgf"):
        factor = conversion(other, q.unit) if other != written else None
        if factor is not None and q.low <= typed * factor <= q.high:
            return f" Is it in {other}?"
    value = typed * (conversion(written, q.unit) or 1.0)
    for tens in (10.0, 100.0, 1000.0):
        if q.low <= value / tens <= q.high:
            return " Is a decimal point missing?"
        if value and q.low <= value * tens <= q.high:
            return " Is the decimal point in the right place?"
    widen = "" if q.part in STRENGTH_INPUTS else " If it is right, widen plausible in study.toml."
    return f"{widen} If it is a slip, say so in the column excluded."
