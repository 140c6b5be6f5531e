"""Numbers, units and lists in plain sentences: the one way everything in the kit says them."""

from __future__ import annotations

from collections.abc import Iterable
from math import floor, isfinite, isnan, log10

from kit.words import unit_label

MINUS = "\u2212"


def fixed(value: float, decimals: int) -> str:
    """Give a number with fixed decimals, a true minus sign and never a negative zero.

    Returns
    -------
    str

    Examples
    --------
    >>> fixed(-0.04, 1), fixed(-12.345, 1)
    ('0.0', '−12.3')
    """
    text = f"{value:.{decimals}f}"
    return (text.lstrip("-") if float(text) == 0 else text).replace("-", MINUS)


def rounded(value: float, scale: float | None = None) -> str:
    """Give a number with as many decimals as show two digits of ``scale`` (by default, of itself).

    Returns
    -------
    str

    Examples
    --------
    >>> rounded(1.23456), rounded(0.0312), rounded(1234.5), rounded(28.123, scale=0.8)
    ('1.2', '0.031', '1234', '28.12')
    """
    size = abs(value if scale is None else scale)
    places = max(0, min(8, 1 - floor(log10(size)))) if isfinite(size) and size > 0 else 2
    return fixed(value, places)


def with_unit(text: str, unit: str) -> str:
    """Set a number's text before its unit, a blank between (ISO 80000-1).

    Returns
    -------
    str

    Examples
    --------
    >>> with_unit("215", "degC"), with_unit("3", "")
    ('215 °C', '3')
    """
    return f"{text} {unit_label(unit)}".strip()


def amount(value: float, unit: str, scale: float | None = None) -> str:
    """Give a rounded number with its unit.

    Returns
    -------
    str

    Examples
    --------
    >>> amount(0.0213, "mm"), amount(3, "")
    ('0.021 mm', '3.0')
    """
    return with_unit(rounded(value, scale), unit)


def span(low: float, high: float, unit: str) -> str:
    """Give ``low to high unit``, rounded to what the width is worth.

    Returns
    -------
    str

    Examples
    --------
    >>> span(0.5, 2.13, "GU")
    '0.5 to 2.1 GU'
    """
    width = high - low
    return f"{rounded(low, width)} to {amount(high, unit, width)}"


def percent(chance: float) -> str:
    """Give a chance as a maker says it; never 0 % or 100 %, since nobody knows that.

    Returns
    -------
    str

    Examples
    --------
    >>> percent(0.9371), percent(0.995), percent(0.0001)
    ('94 %', 'more than 99 %', 'less than 1 %')
    """
    if isnan(chance):
        return "\N{EN DASH}"
    if chance >= 0.995:
        return "more than 99 %"
    if chance <= 0.005:
        return "less than 1 %"
    return f"{100 * chance:.0f} %"


def stated_percent(share: float) -> str:
    """Give a chance that somebody wrote down, such as the confidence a study asks for: as written.

    Returns
    -------
    str

    Examples
    --------
    >>> stated_percent(0.9), stated_percent(0.999)
    ('90 %', '99.9 %')
    """
    return f"{100 * share:g} %"


def setting(value: float | str, unit: str = "") -> str:
    """Give a setting as it was written.

    Returns
    -------
    str

    Examples
    --------
    >>> setting(215.0, "degC"), setting("pink")
    ('215 °C', 'pink')
    """
    if isinstance(value, str):
        return value
    return f"{value:.6g} {unit_label(unit)}".strip().replace("-", MINUS)


def listed(words: Iterable[str], last: str = "and") -> str:
    """List words as one says them.

    Returns
    -------
    str

    Examples
    --------
    >>> listed(["nozzle", "speed", "fan"])
    'nozzle, speed and fan'
    """
    words = list(words)
    return "".join(words) if len(words) < 2 else f"{', '.join(words[:-1])} {last} {words[-1]}"


def counted(n: int, one: str, many: str = "") -> str:
    """Give a number of things.

    Returns
    -------
    str

    Examples
    --------
    >>> counted(1, "run"), counted(3, "run")
    ('1 run', '3 runs')
    """
    return f"{n} {one if n == 1 else many or one + 's'}"
