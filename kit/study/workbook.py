"""A workbook (.xlsx) as rows of text, exactly as strict as a CSV file: formulas, dates and merged cells are shown, never guessed at.

Needs the extra ``excel``; without it the maker is told how to save the table as text instead.
"""

from __future__ import annotations

import re
import warnings
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache, lru_cache
from io import BytesIO
from pathlib import PurePosixPath
from xml.etree.ElementTree import Element, ParseError, iterparse

from kit.errors import Problem

Record = tuple[int, list[str]]

MOST_BYTES = 400_000_000
"""Unpacked; more is no table of readings (a packed file of some kilobytes can unpack to gigabytes)."""
MOST_MERGED, MOST_COLUMNS = 5, 16384
_MERGED = re.compile(rb'<(?:\w+:)?mergeCell [^>]*ref="([A-Z]+[0-9]+:[A-Z]+[0-9]+)"')
_REMEDY = 'save the table again, or as "CSV UTF-8".'


def workbook_records(data: bytes, file: str) -> tuple[list[Record], list[Problem]]:
    """Read the sheet with the table.

    Parameters
    ----------
    data : bytes
        The whole file.
    file : str
        Its name; the sheet of the same name counts, else the only one that is filled.

    Returns
    -------
    records : list of (int, list of str)
        Row as the spreadsheet shows it and its cells as text; empty rows are left out. Numbers are written with a point, dates as
        year-month-day, formulas as they stand.
    problems : list of Problem
    """
    try:
        import openpyxl  # noqa: F401 - only to know
    except ImportError:
        text = "reading workbooks needs openpyxl: pip install 'testprint-kit[excel]'; or save the table as \"CSV UTF-8\"."
        return [], [Problem(file, 0, "", text)]
    try:
        with zipfile.ZipFile(BytesIO(data)) as packed, warnings.catch_warnings():
            if sum(info.file_size for info in packed.infolist()) > MOST_BYTES:
                text = f"it unpacks to more than any table of readings; {_REMEDY}"
                return [], [Problem(file, 0, "", text)]
            warnings.simplefilter("ignore")  # styles and extensions that openpyxl does not know
            book = _opened(data)
            sheets = {name: _rows(packed, path, book) for name, path in book.sheets.items()}
            name, problem = _chosen(sheets, file)
            merged = _merged(packed, book.sheets[name]) if name else []
    # A damaged workbook fails in as many ways as it has parts; all of them mean the same to the maker.
    except (zipfile.BadZipFile, zipfile.LargeZipFile, ParseError, KeyError, ValueError, TypeError, IndexError, AttributeError,
            OSError, EOFError, NotImplementedError, RuntimeError, OverflowError, MemoryError) as error:  # fmt: skip
        text = f"this cannot be read as a workbook ({type(error).__name__}); {_REMEDY}"
        return [], [Problem(file, 0, "", text)]
    except Exception as error:
        if not type(error).__module__.startswith(("openpyxl", "zlib", "lzma", "xml")):
            raise
        return [], [Problem(file, 0, "", f"this cannot be read as a workbook; {_REMEDY}")]
    if problem is not None:
        return [], [problem]
    problems = [
        Problem(
            file,
            _row_of(ref),
            "",
            f"cells {ref} are merged, so nobody knows what stands in which column; unmerge them.",
        )
        for ref in merged[:MOST_MERGED]
    ]
    return _trimmed(sheets[name]) if name else [], problems


@dataclass(frozen=True)
class _Book:
    """What is needed of a workbook besides its sheets' cells."""

    sheets: Mapping[str, str]  # name and part of each sheet with cells
    strings: Sequence[str]
    dates: frozenset[int]  # styles that show a number as a date
    epoch: datetime


def _opened(data: bytes) -> _Book:
    """Open a workbook without reading a cell; the library's own way would read every sheet through to find its size."""
    from openpyxl.reader.excel import ExcelReader
    from openpyxl.styles.stylesheet import apply_stylesheet

    reader = ExcelReader(BytesIO(data), read_only=True)
    reader.read_manifest()
    reader.read_strings()
    reader.read_workbook()
    apply_stylesheet(reader.archive, reader.wb)
    sheets = {
        str(sheet.name): str(part.target).lstrip("/")
        for sheet, part in reader.parser.find_sheets()
        if str(part.Type).endswith("/worksheet")
    }
    dates = frozenset(int(style) for style in reader.wb._date_formats)
    return _Book(sheets, [str(t) for t in reader.shared_strings], dates, reader.wb.epoch)


def _rows(packed: zipfile.ZipFile, path: str, book: _Book) -> list[Record]:
    """Give the filled rows of a sheet as text.

    The sheet's own XML is walked: the library makes an object of every cell, which takes far longer.

    Returns
    -------
    list of (int, list of str)
    """
    rows: list[Record] = []
    number = 0
    with packed.open(path) as part:
        for _, element in iterparse(part, events=("end",)):
            if not element.tag.endswith("}row"):
                continue
            number = int(element.get("r") or number + 1)
            texts = _row(element, book)
            if any(texts):
                rows.append((number, texts))
            element.clear()
    return rows


def _row(row: Element, book: _Book) -> list[str]:
    texts: list[str] = []
    for cell in row:
        place = _column((cell.get("r") or "").rstrip("0123456789")) or len(texts)
        if place > MOST_COLUMNS:
            raise ValueError("a cell lies beyond the last column")
        while len(texts) < place:
            texts.append("")
        texts.append(_text(cell, book) if len(cell) else "")
    return texts


@cache
def _column(letters: str) -> int:
    """Give the column of a cell such as ``AB``, from 0."""
    column = 0
    for letter in letters:
        column = 26 * column + ord(letter.upper()) - 64
    return max(column - 1, 0)


def _text(cell: Element, book: _Book) -> str:
    """Write a cell as a CSV file would: a formula as it stands, whatever it once came to."""
    kind, value = cell.get("t", "n"), ""
    for child in cell:
        last = child.tag[-2:]
        if last == "}f":
            return f"={child.text or ''}"
        if last == "}v":
            value = (child.text or "").strip()
        elif last == "is" and kind == "inlineStr":
            return "".join(child.itertext()).strip()
    if not value:
        return ""
    if kind == "s":
        return book.strings[int(value)].strip()
    if kind == "b":
        return "true" if value == "1" else "false"
    if kind != "n":
        return value
    if int(cell.get("s", "0")) in book.dates:
        return _date(float(value), book.epoch)
    return _number(value)


@lru_cache(maxsize=100_000)
def _number(value: str) -> str:
    """Write a number without the digits that binary arithmetic leaves behind it."""
    number = float(value)
    return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)


def _date(days: float, epoch: datetime) -> str:
    """Write what a spreadsheet counts in days as a date, or as a time of day where it counts less than one."""
    moment = epoch + timedelta(days=days)
    return moment.time().isoformat("minutes") if 0 <= days < 1 else moment.date().isoformat()


def _chosen(sheets: dict[str, list[Record]], file: str) -> tuple[str, Problem | None]:
    """Name the sheet that counts: the one called like the file, else the only one with rows."""
    stem = PurePosixPath(file).stem.casefold()
    named = [name for name in sheets if name.strip().casefold() == stem]
    if named:
        return named[0], None
    filled = [name for name, rows in sheets.items() if rows]
    if len(filled) > 1:
        shown = ", ".join(filled[:5])
        return "", Problem(
            file,
            0,
            "",
            f"{len(filled)} sheets are filled ({shown}); call the one that counts {stem!r}.",
        )
    return (filled[0] if filled else ""), None


def _merged(packed: zipfile.ZipFile, path: str) -> list[str]:
    """Name the merged cells of a sheet."""
    return [ref.decode() for ref in _MERGED.findall(packed.read(path))]


def _row_of(ref: str) -> int:
    return int(re.sub(r"[^0-9:]", "", ref).split(":")[0])


def _trimmed(rows: Iterable[Record]) -> list[Record]:
    """Cut empty cells right of the header, which a spreadsheet keeps where something once stood."""
    rows = list(rows)
    if not rows:
        return []
    header = rows[0][1]
    width = max((i + 1 for i, cell in enumerate(header) if cell), default=0)
    trimmed = []
    for number, cells in rows:
        last = max((i + 1 for i, cell in enumerate(cells) if cell), default=0)
        kept = cells[: max(width, last)]
        trimmed.append((number, kept + [""] * (width - len(kept))))
    if len(trimmed[0][1]) < len(header):
        trimmed[0] = (trimmed[0][0], header[:width])
    return trimmed
