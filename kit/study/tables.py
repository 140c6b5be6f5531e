"""The two tables as text: rows numbered as a spreadsheet shows them, nothing converted, nothing lost.

Read: UTF-8 with or without a byte-order mark; cells parted by commas, semicolons or tabs (taken from the
header); quoted cells; any line ending. Written: UTF-8, commas, line feeds. Text that a spreadsheet would
take for a formula is written with an apostrophe before it and read back without.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from io import StringIO
from itertools import pairwise
from numbers import Integral, Real

import numpy as np
import pandas as pd

from kit.errors import Problem
from kit.study.nearest import echo, nearest, suggestion
from kit.study.text import decode_text
from kit.study.workbook import workbook_records

SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}
_GUARDED = re.compile(r"'*[=+\-@\t\r]")
_UNGUARD = re.compile(r"'(?='*[=+\-@\t\r])")
_SPECIAL = re.compile(r'[",\r\n]')
_NUMBER_LIKE = re.compile(r"[+-]?[0-9]+(?:[.,][0-9]+)?")


@dataclass(frozen=True)
class TextTable:
    """A table as the file holds it.

    Attributes
    ----------
    file : str
        For problems.
    columns : mapping of column name to list of str, shape (n,)
        Cells without blanks around them; only columns that are known, misspelt ones under their right name.
    rows : list of int, shape (n,)
        Row of each record as a spreadsheet shows it (header = 1); empty rows are left out.
    ragged : list of bool, shape (n,)
        Records with too few or too many cells, whose contents may stand in the wrong columns.
    separator : str
        Comma, semicolon or tab.
    """

    file: str
    columns: Mapping[str, list[str]]
    rows: list[int]
    ragged: list[bool]
    separator: str

    @property
    def decimal_comma(self) -> bool:
        """Whether numbers may be written with a decimal comma."""
        return self.separator != ","

    def __len__(self) -> int:
        """Give the number of records."""
        return len(self.rows)

    def cells(self, column: str, default: str = "") -> list[str]:
        """Give a column, or the default in every row when the file has no such column."""
        return self.columns[column] if column in self.columns else [default] * len(self.rows)


def read_table(
    data: bytes, file: str, *, required: Sequence[str], optional: Sequence[str] = ()
) -> tuple[TextTable | None, list[Problem]]:
    """Read a table and find everything wrong with its form.

    Parameters
    ----------
    data : bytes
        The whole file.
    file : str
        Its name; ``.xlsx`` at its end means a workbook.
    required, optional : sequence of str
        Known columns, in any order in the file.

    Returns
    -------
    table : TextTable or None
        None when there is no header to go by.
    problems : list of Problem
        In the order of the rows.
    """
    known = [*required, *optional]
    if file.endswith(".xlsx"):
        separator = ","
        records, problems = workbook_records(data, file)
    else:
        text, problem = decode_text(data, file)
        if text is None:
            return None, [problem] if problem else []
        separator = _separator(text)
        records, problems = _records(text, file, separator)
    if not records and problems and file.endswith(".xlsx"):
        return None, problems
    if not records:
        wanted = ", ".join(known)
        return None, [
            *problems,
            Problem(file, 0, "", f"the file is empty; the first row names the columns: {wanted}."),
        ]
    (header_row, header), body = records[0], records[1:]
    places, header_problems = _places(header, header_row, file, known, required, body)
    table, shape_problems = _table(file, separator, header, places, body)
    return table, [*header_problems, *sorted([*problems, *shape_problems], key=lambda p: p.row)]


def _separator(text: str) -> str:
    """Take the mark that is most frequent in the header, outside quotes."""
    header = next((line for line in text.splitlines() if line.strip()), "")
    bare = re.sub(r'"[^"]*"', "", header)
    return max(SEPARATORS, key=bare.count)


def _records(
    text: str, file: str, separator: str
) -> tuple[list[tuple[int, list[str]]], list[Problem]]:
    """Split into records with their rows; a quote that is never closed ends the reading."""
    reader = csv.reader(StringIO(text, newline=""), delimiter=separator, strict=True)
    records: list[tuple[int, list[str]]] = []
    row, guarded = 0, "'" in text
    try:
        for row, cells in enumerate(reader, start=1):
            stripped = [cell.strip() for cell in cells]
            if any(stripped):
                records.append((row, list(map(_unguard, stripped)) if guarded else stripped))
    except csv.Error as error:
        reason = "a quote is opened and never closed, or text follows a closing quote"
        if "field larger" in str(error):
            reason = "a cell is far too long; a quote may be opened and never closed"
        return records, [
            Problem(file, row + 1, "", f"{reason}; rows from here on could not be read.")
        ]
    return records, []


def _unguard(cell: str) -> str:
    return cell[1:] if cell.startswith("'") and _UNGUARD.match(cell) else cell


def _places(
    header: list[str],
    row: int,
    file: str,
    known: Sequence[str],
    required: Sequence[str],
    body: list[tuple[int, list[str]]],
) -> tuple[dict[str, int], list[Problem]]:
    """Find each known column; a misspelt one is reported and then taken for the right one."""
    problems = []
    places: dict[str, int] = {}
    strangers = []
    for i, name in enumerate(header):
        if name in known and name in places:
            problems.append(
                Problem(
                    file, row, name, f"column {name!r} stands here twice; delete or rename one."
                )
            )
        elif name in known:
            places[name] = i
        elif name:
            strangers.append((i, name))
        elif any(len(cells) > i and cells[i] for _, cells in body):
            problems.append(
                Problem(
                    file, row, "", f"column {i + 1} has cells but no name; name it or clear it."
                )
            )
    for i, name in strangers:
        free = [k for k in known if k not in places]
        alike = nearest(name, free)
        hint = (
            f"did you mean {alike!r}?" if alike else suggestion(name, known, kind="known columns")
        )
        problems.append(Problem(file, row, name, f"unknown column {echo(name)}; {hint}"))
        if alike is not None:
            places[alike] = i
    missing = [name for name in required if name not in places]
    problems += [
        Problem(file, row, name, f"column {name!r} is missing; add it to the header.")
        for name in missing
    ]
    return places, problems


def _table(
    file: str,
    separator: str,
    header: list[str],
    places: Mapping[str, int],
    body: list[tuple[int, list[str]]],
) -> tuple[TextTable, list[Problem]]:
    width = len(header)
    problems, ragged = [], []
    usual = next((cells for _, cells in body if len(cells) == width), None)
    for row, cells in body:
        ragged.append(len(cells) != width)
        if ragged[-1]:
            problems.append(Problem(file, row, "", _ragged(cells, width, separator, usual)))
            cells.extend([""] * (width - len(cells)))
    columns = {name: [cells[i] for _, cells in body] for name, i in places.items()}
    return TextTable(file, columns, [row for row, _ in body], ragged, separator), problems


def _ragged(cells: list[str], width: int, separator: str, usual: list[str] | None) -> str:
    """Say what is wrong with a row of the wrong length; ``usual`` is a row of the right one."""
    name = SEPARATORS[separator]
    found = f"found {len(cells)} cells, the header has {width}"
    if len(cells) < width:
        return f"{found}; add the missing {name}s, empty cells count."
    if len(cells) == width + 1 and usual is not None:
        joined = _likeliest_join(cells, usual, separator)
        if joined is not None and _kind(joined) == "number" and separator == ",":
            return f"{found}: is {joined} a decimal comma? Write {joined.replace(',', '.')} with a point."
        if joined is not None:
            return f"{found}: does {echo(joined)} belong together? Put it in double quotes."
    if not any(cells[width:]):
        return f"{found}; delete the {name}s too many at the end."
    return f"{found}; put text that holds a {name} in double quotes."


def _likeliest_join(cells: list[str], usual: list[str], separator: str) -> str | None:
    """Give the two neighbours that, taken as one cell, make the row most like a usual one, if any do."""
    pattern = [_kind(cell) for cell in usual]

    def likeness(row: list[str]) -> int:
        return sum(_kind(cell) == kind for cell, kind in zip(row, pattern, strict=True))

    joins = [
        (likeness([*cells[:i], f"{a}{separator}{b}", *cells[i + 2 :]]), i, f"{a}{separator}{b}")
        for i, (a, b) in enumerate(pairwise(cells))
        if a and b
    ]
    # Of equally good ones a number before text, then the later one.
    best = max(joins, key=lambda join: (join[0], _kind(join[2]) == "number", join[1]), default=None)
    as_good_without = not cells[-1] and best is not None and likeness(cells[:-1]) >= best[0]
    return None if best is None or as_good_without else best[2]


def _kind(cell: str) -> str:
    return "number" if _NUMBER_LIKE.fullmatch(cell) else "text" if cell.strip(",;\t") else "empty"


def table_text(frame: pd.DataFrame) -> str:
    """Write a table as CSV text.

    Parameters
    ----------
    frame : DataFrame
        Columns of numbers and text; missing values become empty cells.

    Returns
    -------
    str
        Comma-separated, one line feed a row, columns and rows in the frame's order. Numbers are written so
        that they read back as the same number, text without blanks around it. The same frame gives the
        same text.

    Raises
    ------
    ValueError
        If a number is infinite.

    Examples
    --------
    >>> print(
    ...     table_text(pd.DataFrame({"run": ["1"], "nozzle": [190.0], "note": ["=odd, isn't it"]}))
    ... )
    run,nozzle,note
    1,190,"'=odd, isn't it"
    <BLANKLINE>
    """
    lines = [[str(name) for name in frame.columns]]
    lines += [[_cell(value) for value in row] for row in frame.itertuples(index=False, name=None)]
    return "".join(_line(cells) for cells in lines)


def _line(cells: list[str]) -> str:
    quoted = [f'"{c.replace(chr(34), chr(34) * 2)}"' if _SPECIAL.search(c) else c for c in cells]
    return (",".join(quoted) if quoted != [""] else '""') + "\n"


def _cell(value: object) -> str:
    if value is None or value is pd.NA:
        return ""
    if isinstance(value, bool | np.bool_):
        return str(bool(value)).lower()
    if isinstance(value, Integral):
        return str(int(value))
    if isinstance(value, Real):
        return _number(float(value))
    text = str(value).strip()  # as it will be read
    return f"'{text}" if _GUARDED.match(text) else text


def _number(value: float) -> str:
    if np.isnan(value):
        return ""
    if np.isinf(value):
        raise ValueError("an infinite number cannot be written into a table.")
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
