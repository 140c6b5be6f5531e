"""Force-extension curves: one file a specimen in ``curves/``, named ``<run>-<specimen>.csv``.

Which columns they have, in which units, ``[curves]`` in ``study.toml`` says. Cells are read as strictly as readings; a file with
semicolons or tabs may have decimal commas.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd

from kit.errors import Problem
from kit.study.cells import not_a_number, parse_numbers
from kit.study.description import Curves, Study
from kit.study.nearest import echo, suggestion
from kit.study.quantities import RECIPE_INPUTS, VALUE, inputs_of, quantity_names
from kit.study.text import decode_text
from kit.terms import FloatArray
from kit.words import conversion

CURVE_FOLDER = "curves"
FEWEST_POINTS = 10
MOST_SHOWN = 5
"""Wrong cells of one file that are shown one by one."""
_SEPARATORS = ";\t,"


@dataclass(frozen=True, eq=False)
class RawCurve:
    """A force-extension curve as it was recorded.

    Attributes
    ----------
    file, run, specimen : str
    force : array, shape (n,)
        N.
    extension : array, shape (n,)
        mm: travel, deflection, or what an extensometer shows.
    time : array, shape (n,), or None
        s.
    """

    file: str
    run: str
    specimen: str
    force: FloatArray
    extension: FloatArray
    time: FloatArray | None = None


def curve_names(folder: Path) -> list[str]:
    """Name the files of ``curves/``, relative to the study, in natural order."""
    try:
        found = sorted(p.name for p in (folder / CURVE_FOLDER).iterdir() if p.is_file())
    except (FileNotFoundError, NotADirectoryError):
        return []
    names = [n for n in found if not n.startswith(".")]
    return [f"{CURVE_FOLDER}/{n}" for n in sorted(names, key=_natural)]


def read_curve_file(
    data: bytes, file: str, mapping: Curves
) -> tuple[RawCurve | None, list[Problem]]:
    """Read one curve.

    Parameters
    ----------
    data : bytes
        The whole file.
    file : str
        Its name in the study, ``curves/07-A.csv``.
    mapping : Curves
        Columns and units.

    Returns
    -------
    curve : RawCurve or None
        None when there are problems.
    problems : list of Problem
    """
    name = re.fullmatch(rf"{CURVE_FOLDER}/(.+)-([^-]+)\.csv", file, re.IGNORECASE)
    if name is None:
        text = (
            "a curve is called <run>-<specimen>.csv, such as 07-A.csv; rename it or move it away."
        )
        return None, [Problem(file, 0, "", text)]
    text_or_none, problem = decode_text(data, file)
    if text_or_none is None:
        return None, [problem] if problem else []
    columns, rows, comma, problems = _columns(text_or_none, file, mapping)
    if problems:
        return None, problems
    values: dict[str, FloatArray] = {}
    for kind, cells in columns.items():
        values[kind], found = _numbers(cells, rows, file, getattr(mapping, kind), comma)
        problems += found
    problems += _shape_problems(values, file) if not problems else []
    if problems:
        return None, problems
    force = values["force"] * (conversion(mapping.force_unit, "N") or 1.0)
    extension = values["extension"] * (conversion(mapping.extension_unit, "mm") or 1.0)
    return RawCurve(file, name[1], name[2], force, extension, values.get("time")), []


def curve_run_problems(curves: Iterable[RawCurve], status: Mapping[str, str]) -> list[Problem]:
    """Find curves of runs that are not in ``runs.csv`` or still planned."""
    problems = []
    for curve in curves:
        state = status.get(curve.run)
        if state is None:
            text = f"its name says run {echo(curve.run)}, which is not in runs.csv; {suggestion(curve.run, status, kind='runs')}"
            problems.append(Problem(curve.file, 0, "", text))
        elif state == "planned":
            text = f"run {curve.run} is still planned in runs.csv but has a curve; set its status to printed or failed."
            problems.append(Problem(curve.file, 0, "", text))
    return problems


def with_curves(readings: pd.DataFrame, study: Study, curves: Sequence[RawCurve]) -> pd.DataFrame:
    """Add to the readings what the curves stand for, so that a specimen with a curve counts as read.

    Values are left missing: only which parts of which response were read is told.

    Returns
    -------
    DataFrame
    """
    rows = []
    for response in study.responses:
        if response.recipe not in RECIPE_INPUTS:
            continue
        part = "force" if inputs_of(response) else VALUE
        name = next(
            n
            for n, q in quantity_names(study).items()
            if (q.response, q.part) == (response.name, part)
        )
        rows += [
            {
                "run": c.run,
                "specimen": c.specimen,
                "quantity": name,
                "response": response.name,
                "part": part,
                "excluded": "",
            }
            for c in curves
        ]
    return pd.concat([readings, pd.DataFrame(rows)], ignore_index=True) if rows else readings


def _natural(name: str) -> list[tuple[bool, int, str]]:
    return [(not t.isdigit(), int(t) if t.isdigit() else 0, t) for t in re.split(r"(\d+)", name)]


def _columns(
    text: str, file: str, mapping: Curves
) -> tuple[dict[str, list[str]], list[int], bool, list[Problem]]:
    """Split into the mapped columns; gives the cells by kind, their rows, and whether commas are decimal."""
    lines = text.splitlines()[mapping.skip_lines :]
    separator = max(_SEPARATORS, key=(lines[0] if lines else "").count)
    try:
        records = list(csv.reader(StringIO("\n".join(lines)), delimiter=separator, strict=True))
    except csv.Error:
        return (
            {},
            [],
            False,
            [
                Problem(
                    file, 0, "", "a quote is opened and never closed, or a cell is far too long."
                )
            ],
        )
    header = [cell.strip() for cell in records[0]] if records else []
    wanted = {
        kind: getattr(mapping, kind)
        for kind in ("force", "extension", "time")
        if getattr(mapping, kind)
    }
    missing = [name for name in wanted.values() if name not in header]
    if missing:
        row = mapping.skip_lines + 1
        known = ", ".join(h for h in header if h) or "none"
        text = "the file has no column of that name; it has: {}. Name it in [curves] of study.toml, and skip_lines if the header stands lower."
        return (
            {},
            [],
            False,
            [Problem(file, row, name, text.format(known[:200])) for name in missing],
        )
    body = [
        (mapping.skip_lines + i + 2, record)
        for i, record in enumerate(records[1:])
        if any(cell.strip() for cell in record)
    ]
    width = max(header.index(name) for name in wanted.values()) + 1
    short = [row for row, record in body if len(record) < width]
    if short:
        return (
            {},
            [],
            False,
            [Problem(file, short[0], "", f"found fewer than {width} cells in {len(short)} rows.")],
        )
    places = {kind: header.index(name) for kind, name in wanted.items()}
    cells = {kind: [record[i].strip() for _, record in body] for kind, i in places.items()}
    return cells, [row for row, _ in body], separator != ",", []


def _numbers(
    cells: list[str], rows: list[int], file: str, column: str, comma: bool
) -> tuple[FloatArray, list[Problem]]:
    values, wrong, empty = parse_numbers(cells, decimal_comma=comma)
    problems = [
        Problem(
            file,
            rows[i],
            column,
            not_a_number(cells[i], decimal_comma=comma) if wrong[i] else "the cell is empty.",
        )
        for i in np.flatnonzero(wrong | empty)[:MOST_SHOWN]
    ]
    more = int((wrong | empty).sum()) - MOST_SHOWN
    if more > 0:
        problems.append(
            Problem(file, rows[-1], column, f"{more} more cells of this column hold no number.")
        )
    return values, problems


def _shape_problems(values: Mapping[str, FloatArray], file: str) -> list[Problem]:
    """Find curves from which nothing can be read."""
    force, extension = values["force"], values["extension"]
    if len(force) < FEWEST_POINTS:
        return [
            Problem(
                file, 0, "", f"found {len(force)} points; a curve needs at least {FEWEST_POINTS}."
            )
        ]
    problems = []
    if force.max() <= 0 or force.max() - force[0] <= 0:
        problems.append(
            Problem(
                file,
                0,
                "",
                "the force never rises above its start; is the sign turned round, or the column another one?",
            )
        )
    if extension.max() - extension[0] <= 0:
        problems.append(
            Problem(
                file,
                0,
                "",
                "the extension never grows; is the sign turned round, or the column another one?",
            )
        )
    time = values.get("time")
    if time is not None and np.any(np.diff(time) <= 0):
        row = int(np.flatnonzero(np.diff(time) <= 0)[0]) + 1
        problems.append(Problem(file, 0, "", f"the time does not grow at point {row + 1}."))
    return problems
