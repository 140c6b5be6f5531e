"""A table of a study under either of its names: CSV text, or a workbook saved as it is."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from kit.errors import Problem
from kit.study.folder import read_bytes

WORKBOOK = ".xlsx"


@dataclass(frozen=True)
class TableFile:
    """The bytes of a table.

    Attributes
    ----------
    name : str
        The file that was read, or would be.
    data : bytes or None
        None when there is none, or it cannot be opened.
    problem : Problem or None
        Why it cannot be opened, or that there are two.
    """

    name: str
    data: bytes | None
    problem: Problem | None = None


def read_table_file(folder: Path, stem: str) -> TableFile:
    """Read ``<stem>.csv``, or ``<stem>.xlsx`` where there is no CSV.

    Parameters
    ----------
    folder : Path
        The study folder.
    stem : str
        Such as ``readings``.

    Returns
    -------
    TableFile
    """
    text, text_problem = read_bytes(folder, f"{stem}.csv")
    book, book_problem = read_bytes(folder, f"{stem}{WORKBOOK}")
    there = book is not None or book_problem is not None
    if text is None and text_problem is None and there:
        return TableFile(f"{stem}{WORKBOOK}", book, book_problem)
    problem = text_problem
    if there and problem is None:
        name = f"{stem}{WORKBOOK}"
        problem = Problem(
            name,
            0,
            "",
            f"{stem}.csv is there as well, and nobody knows which counts; move one away.",
        )
    return TableFile(f"{stem}.csv", text, problem)
