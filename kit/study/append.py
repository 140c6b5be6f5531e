"""Add runs of a further round to ``runs.csv``: what stands there stays, byte for byte.

The new rows are written in the file's own dialect: its columns and their order, its separator, decimal
mark and line ends.
"""

from __future__ import annotations

import csv
from io import StringIO
from pathlib import Path

import pandas as pd

from kit.errors import DesignError
from kit.study.folder import RUNS_FILE, read_bytes, write_whole
from kit.study.tables import table_text


def append_runs(folder: Path, runs: pd.DataFrame, to_fill: pd.DataFrame, to_fill_name: str) -> None:
    """Add planned runs to the study's runs, and write what is to be measured beside them.

    Parameters
    ----------
    folder : Path
        The study folder; its ``runs.csv`` was taken in without problems.
    runs : DataFrame
        The new runs, columns as in ``runs.csv``.
    to_fill : DataFrame
        One row a reading to be taken.
    to_fill_name : str
        File for it; it replaces an earlier one of the same name.

    Raises
    ------
    DesignError
        If there is no ``runs.csv`` to add to, its text is not UTF-8, or ``to_fill_name`` holds readings.
        Nothing is changed then.
    """
    data, problem = read_bytes(folder, RUNS_FILE)
    if data is None:
        raise DesignError(
            f"{problem or 'there is no runs.csv to add runs to'}; save the runs as {RUNS_FILE}. Nothing was changed."
        )
    _refuse_filled(folder, to_fill_name)
    joined = data + _lines(data, runs)
    write_whole(folder / to_fill_name, table_text(to_fill))
    write_whole(folder / RUNS_FILE, joined)


def _refuse_filled(folder: Path, name: str) -> None:
    data, problem = read_bytes(folder, name)
    if problem is not None:
        raise DesignError(f"{problem} Nothing was changed.")
    if data is None:
        return
    rows = list(csv.DictReader(StringIO(data.decode("utf-8-sig", errors="replace"))))
    if any((row.get("value") or "").strip() for row in rows):
        raise DesignError(
            f"{name} holds readings already; add them to readings.csv and move the file away. Nothing was changed."
        )


def _lines(data: bytes, runs: pd.DataFrame) -> bytes:
    """Give the new rows as the file would hold them."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise DesignError(
            f"{RUNS_FILE} is not saved as UTF-8, so rows cannot be added to it; save it as CSV UTF-8. "
            "Nothing was changed."
        ) from None
    header_line = next(line for line in text.splitlines() if line.strip())
    separator = max(",;\t", key=header_line.count)
    header = [c.strip() for c in next(csv.reader([header_line], delimiter=separator))]
    end = "\r\n" if "\r\n" in text else "\n"
    plain = list(csv.reader(StringIO(table_text(runs))))
    columns = plain[0]
    rows = [
        [row[columns.index(name)] if name in columns else "" for name in header]
        for row in plain[1:]
    ]
    if separator != "," and _decimal_comma(text, separator):
        numeric = {n for n in columns if pd.api.types.is_numeric_dtype(runs[n])}
        rows = [
            [c.replace(".", ",") if n in numeric else c for n, c in zip(header, row, strict=True)]
            for row in rows
        ]
    out = StringIO()
    csv.writer(out, delimiter=separator, lineterminator=end).writerows(rows)
    start = "" if text.endswith(("\n", "\r")) else end
    return (start + out.getvalue()).encode()


def _decimal_comma(text: str, separator: str) -> bool:
    cells = [c for row in csv.reader(StringIO(text), delimiter=separator) for c in row]
    return any(c.strip().replace(",", "", 1).lstrip("+-").isdigit() and "," in c for c in cells)
