"""``gauge.csv`` and ``references.csv``: readings that tell how good the measuring is.

Both are optional. Values are checked as those of ``readings.csv`` are: strictly, all problems at once, converted to the
unit of their quantity.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from kit.errors import Problem
from kit.study.cells import BoolArray, not_a_number, parse_numbers
from kit.study.description import Study
from kit.study.nearest import echo, suggestion
from kit.study.quantities import ReadQuantity, quantity_names
from kit.study.tables import TextTable
from kit.study.units import unit_hint, unit_symbol
from kit.study.values import expected, range_hint, scaled, unit_factor
from kit.terms import FloatArray
from kit.words import UNITS

GAUGE_REQUIRED = ("part", "value")
GAUGE_OPTIONAL = (
    "operator",
    "repeat",
    "order",
    "quantity",
    "unit",
    "instrument",
    "excluded",
    "note",
)
REFERENCE_REQUIRED = ("instrument", "reference", "true_value", "reading")
REFERENCE_OPTIONAL = ("unit", "u_true", "step", "note")
"""``u_true``: standard uncertainty of the reference; ``step``: smallest step of the display."""

_BASE = {
    "length": "mm",
    "force": "N",
    "mass": "N",
    "gloss": "GU",
    "stress": "MPa",
    "temperature": "degC",
}


@dataclass
class CheckedTable:
    """A table as far as it could be read; the frame is meaningful only without problems."""

    frame: pd.DataFrame
    problems: list[Problem] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)


def check_gauge(table: TextTable, study: Study) -> CheckedTable:
    """Check and convert the readings of a gauge study.

    Parameters
    ----------
    table : TextTable
        ``gauge.csv``; ``quantity`` may be left out where the study has one response.
    study : Study
        The description.

    Returns
    -------
    CheckedTable
        Frame with ``row``, ``part``, ``operator``, ``repeat``, ``order`` (missing where not written), ``quantity``,
        ``response``, ``value``, ``unit``, ``instrument``, ``excluded``, ``note``; rows with a value only.
    """
    check = _Columns(table)
    quantities = _quantities(check, study)
    parts = check.names("part", "name the piece that was read, such as P1.")
    repeat = check.whole("repeat", "the first reading of a part is 1, the next 2.")
    order = check.whole("order", "the place in the order of reading: 1, 2, 3.")
    values, given = check.numbers("value")
    units = table.cells("unit")
    converted = check.converted(units, [q.unit if q else None for q in quantities], values, given)
    excluded = table.cells("excluded")
    judged = given & np.array([not reason for reason in excluded], dtype=bool)
    check.plausible(quantities, values, converted, units, judged)
    frame = pd.DataFrame(
        {
            "row": np.array(table.rows, dtype=np.int64),
            "part": parts,
            "operator": table.cells("operator"),
            "repeat": np.where(np.isnan(repeat), 1, repeat),
            "order": order,
            "quantity": [q.name if q else "" for q in quantities],
            "response": [q.response if q else "" for q in quantities],
            "value": converted,
            "unit": [q.unit if q else "" for q in quantities],
            "instrument": table.cells("instrument"),
            "excluded": excluded,
            "note": table.cells("note"),
        }
    )[given]
    if "repeat" in table.columns:
        check.twice(frame, ("quantity", "part", "operator", "instrument", "repeat"))
    if (~given).any():
        check.notices.append(
            f"Rows of {table.file} without a value so far: {int((~given).sum())} of {len(given)}."
        )
    check.problems.sort(key=lambda p: p.row)
    return CheckedTable(frame.reset_index(drop=True), check.problems, check.notices)


def check_references(table: TextTable) -> CheckedTable:
    """Check and convert readings of references: gauge blocks, drill shanks, masses, a tile.

    Parameters
    ----------
    table : TextTable
        ``references.csv``.

    Returns
    -------
    CheckedTable
        Frame with ``row``, ``instrument``, ``reference``, ``true_value``, ``reading``, ``u_true``, ``step`` (missing where
        not written), ``unit`` (mm, N, GU ...; empty = as written).
    """
    check = _Columns(table)
    instrument = check.names("instrument", "name the instrument as readings.csv does.")
    reference = check.names("reference", "name the reference, such as block 20.")
    units, targets = table.cells("unit"), []
    for i, cell in enumerate(units):
        symbol = unit_symbol(cell)
        if cell and symbol is None:
            hint = unit_hint(cell)
            check.problem(
                i,
                "unit",
                f"unit {echo(cell)} is not known.{f' Did you mean {hint}?' if hint else ''}",
            )
        targets.append(_BASE.get(UNITS[symbol].kind, symbol) if symbol else None)
    columns = {}
    for name in ("true_value", "reading", "u_true", "step"):
        values, given = check.numbers(name)
        columns[name] = check.converted(units, targets, values, given)
        if name in ("true_value", "reading"):
            for i in np.flatnonzero(~given & check.right(name)).tolist():
                check.problem(
                    int(i),
                    name,
                    "the cell is empty; every row holds a true value and what the instrument showed.",
                )
        else:
            for i in np.flatnonzero(given & (values < 0)).tolist():
                check.problem(
                    int(i), name, f"found {echo(table.cells(name)[i])}; it cannot be below 0."
                )
    frame = pd.DataFrame(
        {
            "row": np.array(table.rows, dtype=np.int64),
            "instrument": instrument,
            "reference": reference,
            **columns,
            "unit": [t or "" for t in targets],
        }
    )
    _contradictions(check, frame)
    check.problems.sort(key=lambda p: p.row)
    return CheckedTable(frame, check.problems, check.notices)


class _Columns:
    """Reads a table column by column and collects its problems; ragged rows were reported."""

    def __init__(self, table: TextTable) -> None:
        self.table = table
        self.whole_rows = ~np.array(table.ragged, dtype=bool)
        self.wrong: dict[str, BoolArray] = {}
        self.problems: list[Problem] = []
        self.notices: list[str] = []

    def problem(self, position: int, column: str, text: str) -> None:
        if self.whole_rows[position]:
            self.problems.append(Problem(self.table.file, self.table.rows[position], column, text))

    def names(self, column: str, wish: str) -> list[str]:
        cells = self.table.cells(column)
        for i, cell in enumerate(cells if column in self.table.columns else ()):
            if not cell:
                self.problem(i, column, f"the cell is empty; {wish}")
        return cells

    def numbers(self, column: str) -> tuple[FloatArray, BoolArray]:
        cells = self.table.cells(column)
        comma = self.table.decimal_comma
        values, wrong, empty = parse_numbers(cells, decimal_comma=comma)
        for i in np.flatnonzero(wrong):
            self.problem(int(i), column, not_a_number(cells[i], decimal_comma=comma))
        self.wrong[column] = wrong
        return values, ~wrong & ~empty

    def right(self, column: str) -> BoolArray:
        return (
            ~self.wrong[column]
            if column in self.table.columns
            else np.zeros(len(self.table), dtype=bool)
        )

    def whole(self, column: str, wish: str) -> FloatArray:
        values, given = self.numbers(column)
        with np.errstate(invalid="ignore"):
            odd = given & ((values < 1) | (values != np.floor(values)))
        for i in np.flatnonzero(odd):
            self.problem(
                int(i),
                column,
                f"found {echo(self.table.cells(column)[i])}; a whole number from 1 on: {wish}",
            )
        return values

    def converted(
        self,
        units: Sequence[str],
        targets: Sequence[str | None],
        values: FloatArray,
        given: BoolArray,
    ) -> FloatArray:
        factors = np.ones(len(values))
        known = {pair: unit_factor(*pair) for pair in set(zip(units, targets, strict=True))}
        for i, pair in enumerate(zip(units, targets, strict=True)):
            factors[i], text = known[pair]
            if text and given[i]:
                self.problem(i, "unit", text)
        return scaled(values, factors)

    def plausible(
        self,
        quantities: Sequence[ReadQuantity | None],
        typed: FloatArray,
        values: FloatArray,
        units: Sequence[str],
        judged: BoolArray,
    ) -> None:
        for i in np.flatnonzero(judged).tolist():
            q = quantities[i]
            if q is not None and not q.low <= values[i] <= q.high:
                found = f"found {self.table.cells('value')[i]}, expected {expected(q)}."
                self.problem(int(i), "value", found + range_hint(float(typed[i]), units[i], q))

    def twice(self, frame: pd.DataFrame, key: tuple[str, ...]) -> None:
        first: dict[tuple[object, ...], int] = {}
        for i, cells in zip(
            frame.index, frame[list(key)].itertuples(index=False, name=None), strict=True
        ):
            row = first.setdefault(cells, int(frame["row"][i]))
            if row != frame["row"][i]:
                text = f"the same reading stands in row {row} already; if it was read again, count repeat up; if not, delete one."
                self.problem(int(i), "repeat", text)


def _quantities(check: _Columns, study: Study) -> list[ReadQuantity | None]:
    """Give what every row reads; where there is one response the column may be left out."""
    known = quantity_names(study)
    names = list(known)
    only = known[study.responses[0].name] if len(study.responses) == 1 else None
    cells = check.table.cells("quantity")
    found: list[ReadQuantity | None] = []
    for i, cell in enumerate(cells):
        q = known.get(cell) if cell else only
        if q is None and not cell:
            check.problem(
                i,
                "quantity",
                f"the cell is empty; say what was read: {', '.join(r.name for r in study.responses)}.",
            )
        elif q is None:
            check.problem(
                i,
                "quantity",
                f"unknown quantity {echo(cell)}; {suggestion(cell, names, kind='quantities of this study')}",
            )
        found.append(q)
    return found


def _contradictions(check: _Columns, frame: pd.DataFrame) -> None:
    """Find an instrument in two units, and a reference with two true values."""
    seen: dict[tuple[str, str], tuple[float, int]] = {}
    kinds: dict[str, set[str]] = {}
    for name, unit in zip(frame["instrument"], frame["unit"], strict=True):
        kinds.setdefault(name, set()).add(unit)
    for i, row in enumerate(frame.to_dict("records")):
        key, value = (row["instrument"], row["reference"]), row["true_value"]
        if value != value:
            continue
        before, line = seen.setdefault(key, (value, row["row"]))
        if before != value:
            check.problem(
                i,
                "true_value",
                f"{row['reference']} has the true value {before:g} in row {line}; a reference has one.",
            )
        if len(kinds[row["instrument"]]) > 1 and line == row["row"]:
            units = ", ".join(sorted(u or "none" for u in kinds[row["instrument"]]))
            check.problem(
                i,
                "unit",
                f"{row['instrument']} stands here in several kinds of unit ({units}); write the same in every row.",
            )
