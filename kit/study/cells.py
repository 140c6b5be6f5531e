"""Cells that should be numbers: read strictly, and when they are none, say what they look like."""

from __future__ import annotations

import re
from collections.abc import Sequence
from math import isfinite

import numpy as np
import numpy.typing as npt

from kit.study.nearest import echo
from kit.study.units import unit_hint, unit_symbol
from kit.terms import FloatArray

BoolArray = npt.NDArray[np.bool_]

_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_POINT = re.compile(_NUMBER)
_POINT_OR_COMMA = re.compile(_NUMBER.replace(r"\.", "[.,]"))
_THOUSANDS_POINT = re.compile(r"[+-]?[0-9]{1,3}(?:\.[0-9]{3})+")

_MONTH = r"(?:jan|feb|mar|mär|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez)[a-zä]*\.?"
_DATE = re.compile(
    rf"[0-9]{{1,4}}[-/.][0-9]{{1,2}}[-/.][0-9]{{1,4}}(?:[ T].*)?|[0-9]{{1,2}}[-/][0-9]{{1,2}}"
    rf"|[0-9]{{1,4}}[-. /]+{_MONTH}(?:[-. /]*[0-9]{{2,4}})?|{_MONTH}[-. /]+[0-9]{{1,4}}|[0-9]{{1,2}}\. ?[0-9]{{1,2}}\.",
    re.IGNORECASE,
)
_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+(?:[eE][+-]?[0-9]+)?")
_GROUPED = re.compile(r"[+-]?[0-9]{1,3}(?:([.,' \u00a0\u2009\u202f])[0-9]{3})+(?:[.,][0-9]+)?")
_WITH_UNIT = re.compile(rf"({_NUMBER}|[+-]?[0-9]+,[0-9]+)\s*([^\W\d_°%µμ][^\s]*|[°%µμ][^\s]*)")
_MISSING_WORDS = frozenset(
    {
        "-",
        "--",
        "---",
        "\u2013",
        "\u2014",
        "/",
        ".",
        "?",
        "x",
        "na",
        "n/a",
        "n.a.",
        "nan",
        "null",
        "none",
        "nil",
        "missing",
        "fehlt",
        "#n/a",
    }
)
_SEVERAL = re.compile(rf"{_NUMBER}(?:\s*[;/|]\s*|\s+){_NUMBER}.*")


def parse_numbers(
    cells: Sequence[str], *, decimal_comma: bool
) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Read cells as numbers, nothing else.

    Parameters
    ----------
    cells : sequence of str, shape (n,)
        Without blanks around them.
    decimal_comma : bool
        Whether a comma may stand for the decimal point (files whose cells are not parted by commas).

    Returns
    -------
    values : array, shape (n,)
        The numbers; missing where a cell is empty or wrong.
    wrong : array of bool, shape (n,)
        Cells that hold something else.
    empty : array of bool, shape (n,)
        Cells that hold nothing.

    Examples
    --------
    >>> parse_numbers(["20.03", "", "20,03"], decimal_comma=False)[0]
    array([20.03,   nan,   nan])
    """
    pattern = _POINT_OR_COMMA if decimal_comma else _POINT
    grouped = decimal_comma and any("," in cell for cell in cells)
    values = np.full(len(cells), np.nan)
    empty = np.fromiter((not cell for cell in cells), dtype=bool, count=len(cells))
    for i, cell in enumerate(cells):
        if not cell or pattern.fullmatch(cell) is None:
            continue
        if grouped and _THOUSANDS_POINT.fullmatch(cell):
            continue  # 1.234 among decimal commas: a thousand or one and a bit?
        number = float(cell.replace(",", ".") if decimal_comma else cell)
        if isfinite(number):
            values[i] = number
    return values, np.isnan(values) & ~empty, empty


def not_a_number(cell: str, *, decimal_comma: bool = False) -> str:
    """Say what a cell looks like that should hold a number, and what to write.

    Parameters
    ----------
    cell : str
        Not empty, not a number.
    decimal_comma : bool
        As for `parse_numbers`.

    Returns
    -------
    str

    Examples
    --------
    >>> not_a_number("20.03mm")
    "found '20.03mm', a number with its unit; write 20.03 here and mm in the column unit."
    >>> not_a_number("-")
    "found '-'; leave the cell empty where there is no value."
    """
    shown = echo(cell)
    text = cell.strip()
    if text.casefold() in _MISSING_WORDS:
        return f"found {shown}; leave the cell empty where there is no value."
    if text.startswith("#"):
        return f"found {shown}, the error of a spreadsheet formula; write the number itself."
    if text.startswith(("=", "+=", "-=", "@")):
        return f"found {shown}, a spreadsheet formula; write the number itself, formulas are never worked out."
    if text.startswith(("<", ">", "≤", "≥", "~", "≈", "ca", "±")):
        return f"found {shown}; write the number alone and the remark in the column note."
    if text.casefold().strip("+-") in ("inf", "infinity") or _POINT.fullmatch(text):
        return f"found {shown}, too large for a number; write what the instrument shows."
    return _number_like(text, shown, decimal_comma)


def _number_like(text: str, shown: str, decimal_comma: bool) -> str:
    """Recognise dates, grouped digits, commas, units and several numbers in one cell."""
    if _COMMA.fullmatch(text) and not decimal_comma:
        return f"found {shown}, a decimal comma; write {text.replace(',', '.')} with a point."
    grouped = _GROUPED.fullmatch(text)
    if grouped:
        return f"found {shown}, digits in groups; write the number without {_mark(grouped.group(1))} between thousands and with one decimal mark."
    if _DATE.fullmatch(text):
        return f"found {shown}, a date: spreadsheets make one of numbers such as 3-4. Format the column as text and write the number again."
    united = _WITH_UNIT.fullmatch(text)
    if united:
        unit = unit_symbol(united.group(2)) or unit_hint(united.group(2)) or united.group(2)
        number = united.group(1) if decimal_comma else united.group(1).replace(",", ".")
        what = "a percent sign" if unit == "%" else "its unit"
        return f"found {shown}, a number with {what}; write {number} here and {unit} in the column unit."
    if _SEVERAL.fullmatch(text):
        return f"found {shown}, more than one number; write one a row, with repeat 1, 2, ..."
    return f"found {shown}; a number belongs here."


def _mark(mark: str) -> str:
    return {".": "points", ",": "commas", "'": "apostrophes"}.get(mark, "blanks")
