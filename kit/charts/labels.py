"""Words and numbers on pictures: axis labels, settings, numbers with a sensible length, line breaks."""

from __future__ import annotations

from functools import cache, lru_cache
from math import floor, isfinite, isinf, log10

from matplotlib import rcParams
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.font_manager import FontProperties

from kit.saying import MINUS, fixed, with_unit
from kit.study.description import Response, Study
from kit.words import FACTOR_KINDS, UNITS, unit_label
from kit.words import capital as capital

Setting = float | str
_UNIT_SIGNS = {unit.label for unit in UNITS.values()}


def lower_first(text: str) -> str:
    """Put a title into the middle of a sentence; a word in capitals stays."""
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


def stem(*parts: str) -> str:
    """Make the stem of a picture's file name: lower-case letters, digits and hyphens."""
    joined = "-".join(parts).lower().replace("_", "-")
    return "".join(c for c in joined if c.isascii() and (c.isalnum() or c == "-"))


def factor_title(study: Study, name: str) -> str:
    """Name a factor in print: its kind, or its own name where the kind says little or is shared.

    Returns
    -------
    str
        A title without its unit.

    Examples
    --------
    >>> from kit.study.description import Factor, Response
    >>> nozzle = Factor(name="nozzle", kind="nozzle_temperature", unit="degC", low=190, high=230)
    >>> inner = Factor(name="inner_speed", kind="speed", unit="mm/s", low=40, high=120)
    >>> outer = Factor(name="outer_speed", kind="speed", unit="mm/s", low=40, high=120)
    >>> study = Study(title="", factor=(nozzle, inner, outer), response=(Response(name="gloss"),))
    >>> [factor_title(study, name) for name in ("nozzle", "inner_speed")]
    ['Nozzle temperature', 'Inner speed']
    """
    factor = study.factor_named(name)
    shared = sum(f.kind == factor.kind for f in study.factors) > 1
    if factor.kind in ("category", "other") or shared:
        return capital(name.replace("_", " "))
    return FACTOR_KINDS[factor.kind].label


def axis_label(title: str, unit: str) -> str:
    """Put the unit behind the title in brackets.

    Returns
    -------
    str
        Such as ``Gloss (GU)``.

    Examples
    --------
    >>> axis_label("gloss", "GU"), axis_label("spool", "")
    ('Gloss (GU)', 'Spool')
    """
    sign = unit_label(unit)
    return " ".join(capital(title).split()) + (f" ({sign})" if sign else "")


def factor_axis(study: Study, name: str) -> str:
    """Label an axis that carries a factor."""
    return axis_label(factor_title(study, name), study.factor_named(name).unit)


def response_axis(response: Response) -> str:
    """Label an axis that carries a response."""
    return axis_label(response.title, response.unit)


def decimals_for(span: float, figures: int = 3) -> int:
    """Give the decimals with which a span shows about so many figures.

    Returns
    -------
    int
        0 to 6.

    Examples
    --------
    >>> [decimals_for(s) for s in (0.21, 8, 61, 540, 0)]
    [3, 2, 1, 0, 1]
    """
    if not isfinite(span) or span <= 0:
        return 1
    return min(max(figures - 1 - floor(log10(span)), 0), 6)


def number(value: float, decimals: int, *, sign: bool = False) -> str:
    """Write a number with a true minus sign; with ``sign`` also a plus; never a negative zero.

    Returns
    -------
    str
        With so many decimals.

    Examples
    --------
    >>> number(-0.04, 1), number(3.14159, 2, sign=True), number(2, 0)
    ('0.0', '+3.14', '2')
    """
    if isinf(value):  # an end that a scale does not reach
        return "∞" if value > 0 else f"{MINUS}∞"
    text = fixed(value, decimals)
    return f"+{text}" if sign and float(value) > 0 and float(text) > 0 else text


def plain(value: Setting) -> str:
    """Write a setting without idle zeros, or a level as it stands.

    Returns
    -------
    str
        At most six figures.

    Examples
    --------
    >>> plain(210.0), plain(0.25), plain("pink")
    ('210', '0.25', 'pink')
    """
    if isinstance(value, str):
        return value
    return f"{float(value) + 0.0:.6g}".replace("-", MINUS)


def even(values: list[float]) -> list[str]:
    """Write round values of a scale with the same decimals.

    Returns
    -------
    list of str
        In the same order.

    Examples
    --------
    >>> even([57.5, 60.0, 62.5])
    ['57.5', '60.0', '62.5']
    """
    decimals = max(len(plain(v).partition(".")[2]) for v in values)
    return [number(v, decimals) for v in values]


def setting_text(study: Study, name: str, value: Setting) -> str:
    """Write one setting with its unit."""
    return with_unit(plain(value), study.factor_named(name).unit)


def requirement_text(response: Response) -> str:
    """Say what is required of a response; empty when nothing is.

    Returns
    -------
    str
        With its unit.

    Examples
    --------
    >>> requirement_text(Response(name="gloss", unit="GU", lower=30))
    'at least 30 GU'
    """
    if response.passes_or_fails:
        return "passes" if response.has_limits else ""
    if response.lower is not None and response.upper is not None:
        between = f"{plain(response.lower)} to {plain(response.upper)}"
        return with_unit(between, response.unit)
    if response.lower is not None:
        return "at least " + with_unit(plain(response.lower), response.unit)
    if response.upper is not None:
        return "at most " + with_unit(plain(response.upper), response.unit)
    return ""


@cache
def _ruler() -> RendererAgg:
    return RendererAgg(16, 16, 72)  # type: ignore[no-untyped-call]


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Measure one line in inches, in the family that is set at the moment."""
    return _width(text, size, "bold" if bold else "normal", tuple(rcParams["font.family"]))


@lru_cache(maxsize=4096)
def _width(text: str, size: float, weight: str, family: tuple[str, ...]) -> float:
    font = FontProperties(family=list(family), size=size, weight=weight)
    return float(_ruler().get_text_width_height_descent(text, font, False)[0]) / 72  # type: ignore[no-untyped-call]


def wrapped(text: str, inches: float, size: float, *, bold: bool = False, lines: int = 0) -> str:
    """Break a text into lines that fit a width; a word longer than a line is cut into pieces.

    Parameters
    ----------
    text : str
        Any text; line breaks in it become blanks.
    inches : float
        Room for a line.
    size : float
        Letters, pt.
    bold : bool, default False
        Whether the letters are bold, which makes them wider.
    lines : int, default 0
        At most so many lines, the last ending in an ellipsis; 0 = as many as needed.

    Returns
    -------
    str
        Lines joined by line breaks.
    """
    done: list[str] = []
    line = ""
    waiting = _words(text)
    while waiting:
        word = waiting.pop(0)
        trial = f"{line} {word}" if line else word
        if text_width(trial, size, bold=bold) <= inches:
            line = trial
        elif line:
            done.append(line)
            line = ""
            waiting.insert(0, word)
        else:
            fits = max(1, _fitting(word, inches, size, bold))
            done.append(word[:fits])
            if word[fits:]:
                waiting.insert(0, word[fits:])
    done.append(line)
    done = [d for d in done if d] or [""]
    if lines and len(done) > lines:
        last = done[lines - 1]
        while last and text_width(last + "…", size, bold=bold) > inches:
            last = last[:-1]
        done = [*done[: lines - 1], last.rstrip() + "…"]
    return "\n".join(done)


def _words(text: str) -> list[str]:
    """Split into words; a unit stays with its number."""
    words: list[str] = []
    for word in text.split():
        if words and word.rstrip(".,;:)") in _UNIT_SIGNS and words[-1][-1].isdigit():
            words[-1] += " " + word
        else:
            words.append(word)
    return words


def _fitting(word: str, inches: float, size: float, bold: bool) -> int:
    """Count the letters at the start of a word that fit a line."""
    low, high = 0, len(word)
    while low < high:
        middle = (low + high + 1) // 2
        if text_width(word[:middle], size, bold=bold) <= inches:
            low = middle
        else:
            high = middle - 1
    return low
