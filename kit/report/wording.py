"""Numbers in words: rounding that fits the uncertainty, units, percent, settings in one line.

Pages print U+2212 for minus; nothing here computes anything but roundings.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import floor, isfinite, isinf, log10

from kit.saying import MINUS, fixed, percent, with_unit
from kit.study.description import COMES_OUT, Factor, Response, Study
from kit.words import FACTOR_KINDS


def number(value: float | None, decimals: int = 2) -> str:
    """Give a number with fixed decimals, or a dash where there is none.

    Returns
    -------
    str

    Examples
    --------
    >>> number(-0.04, 1), number(12.345, 1), number(None)
    ('0.0', '12.3', '–')
    """
    if value is None or not isfinite(value):
        return "–"
    return fixed(value, max(decimals, 0))


def decimals_for(width: float) -> int:
    """Give the decimals at which an interval of this width shows two digits of its width.

    Returns
    -------
    int

    Examples
    --------
    >>> decimals_for(12.0), decimals_for(0.34), decimals_for(0.021)
    (0, 2, 3)
    """
    if not isfinite(width) or width <= 0:
        return 2
    return max(0, min(6, 1 - floor(log10(width))))


def interval(low: float, high: float, unit: str = "", decimals: int | None = None) -> str:
    """Give ``low to high unit``.

    Returns
    -------
    str

    Examples
    --------
    >>> interval(-0.021, 0.043, "mm")
    '−0.021 to 0.043 mm'
    >>> interval(40.0, float("inf"), "MPa", 0)
    '40 MPa or more'
    """
    places = decimals_for(high - low) if decimals is None else decimals
    if isinf(high) and isfinite(low):
        return f"{with_unit(number(low, places), unit)} or more"
    return with_unit(f"{number(low, places)} to {number(high, places)}", unit)


def percent_range(low: float, high: float) -> str:
    """Give the interval of a chance; like the chance itself it never says 0 or 100 %.

    Returns
    -------
    str

    Examples
    --------
    >>> percent_range(0.61, 0.88), percent_range(0.72, 0.999), percent_range(0.996, 0.999)
    ('61 to 88 %', '72 % to more than 99 %', 'wholly above 99 %')
    """
    least, most = percent(low), percent(high)
    if least == most:
        wholly = {"more than 99 %": "wholly above 99 %", "less than 1 %": "wholly below 1 %"}
        return wholly.get(least, f"{least} throughout")
    both_plain = least[0].isdigit() and most[0].isdigit()
    return f"{least.removesuffix(' %') if both_plain else least} to {most}"


def setting(factor: Factor, value: float | str) -> str:
    """Give one setting with its unit, with no more decimals than it needs.

    Returns
    -------
    str

    Examples
    --------
    >>> setting(Factor(name="nozzle", kind="nozzle_temperature", unit="degC"), 215.0)
    '215 °C'
    """
    if isinstance(value, str):
        return value
    decimals = FACTOR_KINDS[factor.kind].decimals
    while decimals < 4 and abs(round(value, decimals) - value) > 1e-9 * max(1.0, abs(value)):
        decimals += 1
    return with_unit(number(value, decimals), factor.unit)


def settings_line(study: Study, settings: Mapping[str, float | str]) -> str:
    """Give all settings in one line, such as ``nozzle 215 °C, speed 60 mm/s``."""
    return ", ".join(f"{spoken(f.name)} {setting(f, settings[f.name])}" for f in study.factors)


def spoken(name: str) -> str:
    """Give a column's name as words."""
    return name.replace("_", " ")


def family_words(text: str) -> str:
    """Give a family of plans, with options behind it or not, as it is called.

    Returns
    -------
    str

    Examples
    --------
    >>> family_words("box_behnken"), family_words("optimal 16")
    ('Box-Behnken', 'optimal 16')
    """
    family, _, options = text.partition(" ")
    people = {"box_behnken": "Box-Behnken", "plackett_burman": "Plackett-Burman"}
    return f"{people.get(family, spoken(family))} {options}".strip()


def requirement(response: Response) -> str:
    """Say what is required of a response.

    Returns
    -------
    str

    Examples
    --------
    >>> requirement(Response(name="gloss", unit="GU", lower=30))
    'at least 30 GU'
    """
    if response.name == COMES_OUT:
        return "comes out"
    if response.passes_or_fails:
        return "passes" if response.has_limits else "no limit"
    low, high, unit = response.lower, response.upper, response.unit
    if low is not None and high is not None:
        text = with_unit(f"{plain(low)} to {plain(high)}", unit)
    elif low is not None:
        text = "at least " + with_unit(plain(low), unit)
    elif high is not None:
        text = "at most " + with_unit(plain(high), unit)
    else:
        text = "no limit"
    if response.target is not None:
        text += ", best at " + with_unit(plain(response.target), unit)
    return text


def plain(value: float) -> str:
    """Give a number as it was written, without trailing zeros.

    Returns
    -------
    str

    Examples
    --------
    >>> plain(30.0), plain(-0.15)
    ('30', '−0.15')
    """
    return f"{value:.10g}".replace("-", MINUS)


def p_words(p: float) -> str:
    """Say how much evidence there is for an effect, without stars.

    Two-sided p-values; common practice, no source: the bands are only words.

    Returns
    -------
    str

    Examples
    --------
    >>> p_words(0.0004), p_words(0.03), p_words(0.4)
    ('very clear', 'clear', 'no clear effect')
    """
    if p < 0.001:
        return "very clear"
    if p < 0.05:
        return "clear"
    return "hinted at" if p < 0.1 else "no clear effect"
