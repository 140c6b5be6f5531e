"""``readings.csv``: from text to a clean table, with everything that is wrong in it.

Written for many rows: cells are judged a column at a time, and only those at fault are looked at singly.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from kit.errors import Problem
from kit.study.cells import BoolArray, not_a_number, parse_numbers
from kit.study.check_outcomes import outcome_cells
from kit.study.description import Study
from kit.study.names import READING_COLUMNS
from kit.study.nearest import echo, suggestion
from kit.study.quantities import ReadQuantity, ambiguous_names, quantity_names
from kit.study.tables import TextTable
from kit.study.values import expected, range_hint, scaled, unit_factor
from kit.terms import FloatArray

REQUIRED = ("run", "quantity", "value", "unit")
OPTIONAL = ("specimen", "repeat", "operator", "instrument", "excluded", "note")
KEY = ("run", "specimen", "quantity", "operator", "instrument", "repeat")
FIRST_SPECIMEN = "1"
RUN_FAILED = "run failed"
"""Reason of exclusion that intake gives to readings of failed runs."""

MOST_HINTS, LONGEST_HINT = 100, 200

_NOT_A_REASON = {
    "0": "use",
    "no": "use",
    "n": "use",
    "false": "use",
    "nein": "use",
    "1": "leave out",
    "yes": "leave out",
    "y": "leave out",
    "true": "leave out",
    "x": "leave out",
    "ja": "leave out",
}


@dataclass
class CheckedReadings:
    """The readings as far as they could be read.

    Attributes
    ----------
    frame : DataFrame
        As `kit.study.data.StudyData.readings` says, meaningful only without problems.
    problems : list of Problem
    notices : list of str
    """

    frame: pd.DataFrame
    problems: list[Problem] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)


def check_readings(
    table: TextTable,
    study: Study,
    status: Mapping[str, str] | None,
    *,
    runs_complete: bool = True,
    unread: frozenset[str] = frozenset(),
    names_complete: bool = True,
) -> CheckedReadings:
    """Check and convert the readings.

    Parameters
    ----------
    table : TextTable
        The file.
    study : Study
        The description, possibly a draft.
    status : mapping of run to str, or None
        Of every run; None when ``runs.csv`` could not be read.
    runs_complete : bool
        Whether every run of the plan is in ``status``; if not, unknown runs are no problem yet.
    unread : frozenset of str
        Responses of which the description could not be read, so that their readings cannot be judged.
    names_complete : bool
        Whether all responses could be read; if not, unknown quantities are no problem yet.

    Returns
    -------
    CheckedReadings
    """
    check = _Check(table)
    cells = {name: table.cells(name) for name in READING_COLUMNS}
    cells["specimen"] = [cell or FIRST_SPECIMEN for cell in cells["specimen"]]
    quantities = check.quantities(cells["quantity"], study, names_complete=names_complete)
    repeat = check.repeats(cells["repeat"])
    reasons = check.reasons(cells["excluded"])
    cells["value"] = check.outcomes(cells["value"], quantities, study)
    values, given = check.values(cells["value"])
    judged = [q if q is None or q.response not in unread else None for q in quantities]
    converted = check.units(cells["unit"], judged, values, given)
    check.ranges(cells, judged, values, converted, given & (np.array(reasons, dtype=object) == ""))
    if status is not None:
        check.runs(cells["run"], status, given, complete=runs_complete)
        reasons = _with_failed(reasons, cells["run"], status)
    columns: dict[str, Sequence[object]] = {**cells, "repeat": repeat, "excluded": reasons}
    frame = _frame(table.rows, columns, quantities, converted)
    check.duplicates(frame, given)
    check.problems.sort(key=lambda p: p.row)
    return CheckedReadings(frame[given].reset_index(drop=True), check.problems, check.notices)


def _frame(
    rows: Sequence[int],
    cells: Mapping[str, Sequence[object]],
    quantities: Sequence[ReadQuantity | None],
    values: FloatArray,
) -> pd.DataFrame:
    """Put the columns together as `StudyData` states them."""
    names = [q.name if q else cell for q, cell in zip(quantities, cells["quantity"], strict=True)]
    frame = pd.DataFrame(
        {
            "row": np.array(rows, dtype=np.int64),
            "run": cells["run"],
            "specimen": cells["specimen"],
            "quantity": names,
            "response": [q.response if q else "" for q in quantities],
            "part": [q.part if q else "" for q in quantities],
            "value": values,
            "unit": [q.unit if q else "" for q in quantities],
            **{
                name: cells[name]
                for name in ("repeat", "operator", "instrument", "excluded", "note")
            },
        }
    )
    text = frame.columns.difference(["row", "value", "repeat"])
    return frame.astype({**dict.fromkeys(text, "str"), "value": "float64", "repeat": "int64"})


class _Check:
    """Collects problems column by column; ragged rows are left alone, they were reported."""

    def __init__(self, table: TextTable) -> None:
        self.table = table
        self.whole_rows = ~np.array(table.ragged, dtype=bool)
        self.problems: list[Problem] = []
        self.notices: list[str] = []

    def problem(self, position: int, column: str, text: str) -> None:
        if self.whole_rows[position]:
            self.problems.append(Problem(self.table.file, self.table.rows[position], column, text))

    def has(self, column: str) -> bool:
        return column in self.table.columns

    def quantities(
        self, cells: list[str], study: Study, *, names_complete: bool
    ) -> list[ReadQuantity | None]:
        known = quantity_names(study)
        ambiguous = ambiguous_names(study)
        meant = {cell: known.get(cell) for cell in set(cells)}
        texts: dict[str, str] = {}
        hints = _Hints(known, "quantities of this study")
        for cell in meant:
            if cell in ambiguous:
                texts[cell] = (
                    f"{cell!r} could belong to several responses; write {' or '.join(ambiguous[cell])}."
                )
            elif meant[cell] is None and not cell:
                texts[cell] = "the cell is empty; say what was read, such as a response's name."
            elif meant[cell] is None and names_complete:
                texts[cell] = f"unknown quantity {echo(cell)}; {hints[cell]}"
        for i, cell in enumerate(cells if self.has("quantity") else ()):
            if cell in texts:
                self.problem(i, "quantity", texts[cell])
        return [meant[cell] for cell in cells]

    def repeats(self, cells: list[str]) -> list[int]:
        values, wrong, empty = parse_numbers(cells, decimal_comma=self.table.decimal_comma)
        odd = ~wrong & ~empty & ((values < 1) | (values != np.floor(values)) | (values > 1e9))
        for i in np.flatnonzero(wrong | odd):
            self.problem(
                int(i),
                "repeat",
                f"found {echo(cells[i])}; repeat is a whole number: 1, 2, 3 for readings of the same specimen.",
            )
        return [int(v) for v in np.where(wrong | odd, 0, np.where(empty, 1, values))]

    def reasons(self, cells: list[str]) -> list[str]:
        for i, cell in enumerate(cells):
            if cell and cell.casefold() in _NOT_A_REASON:
                what = _NOT_A_REASON[cell.casefold()]
                text = f"found {echo(cell)}; this column holds the reason in words. "
                text += (
                    "Leave it empty to use the reading."
                    if what == "use"
                    else "Say why the reading is left out."
                )
                self.problem(i, "excluded", text)
        return cells

    def outcomes(
        self, cells: list[str], quantities: Sequence[ReadQuantity | None], study: Study
    ) -> list[str]:
        """Read the words of pass/fail readings."""
        cells, faults = outcome_cells(cells, quantities, study)
        for i, text in faults.items():
            self.problem(i, "value", text)
        return cells

    def values(self, cells: list[str]) -> tuple[FloatArray, BoolArray]:
        values, wrong, empty = parse_numbers(cells, decimal_comma=self.table.decimal_comma)
        for i in np.flatnonzero(wrong):
            self.problem(
                int(i), "value", not_a_number(cells[i], decimal_comma=self.table.decimal_comma)
            )
        if self.has("value") and empty.any():
            self.notices.append(
                f"Rows of {self.table.file} without a value so far: {int(empty.sum())} of {len(cells)}."
            )
        return values, ~wrong & ~empty

    def units(
        self,
        cells: list[str],
        quantities: list[ReadQuantity | None],
        values: FloatArray,
        given: BoolArray,
    ) -> FloatArray:
        """Convert every value into the unit of its quantity."""
        pairs = [(cell, q.unit if q else None) for cell, q in zip(cells, quantities, strict=True)]
        scale: dict[tuple[str, str | None], float] = {}
        texts: dict[tuple[str, str | None], str] = {}
        for pair in set(pairs):
            factor, text = unit_factor(*pair)
            scale[pair] = factor
            if text:
                texts[pair] = text
        for i, pair in enumerate(pairs):
            if pair in texts:
                self.problem(i, "unit", texts[pair])
        bare = sum(
            1
            for (cell, unit), has_value in zip(pairs, given, strict=True)
            if unit and not cell and has_value
        )
        if bare:
            self.notices.append(
                f"Readings without a unit, taken in the unit of their quantity: {bare}."
            )
        return scaled(values, np.array([scale[pair] for pair in pairs]))

    def ranges(
        self,
        cells: Mapping[str, list[str]],
        quantities: list[ReadQuantity | None],
        typed: FloatArray,
        values: FloatArray,
        judged: BoolArray,
    ) -> None:
        """Find values nobody would believe; excluded readings are not judged, their reason stands."""
        low = np.array([q.low if q else -np.inf for q in quantities])
        high = np.array([q.high if q else np.inf for q in quantities])
        with np.errstate(invalid="ignore"):
            outside = judged & ((values < low) | (values > high))
        for i in np.flatnonzero(outside):
            q = quantities[i]
            if q is None:
                continue
            where = (
                f"run {cells['run'][i]}, specimen {cells['specimen'][i]}, {cells['quantity'][i]}"
            )
            found = f"found {cells['value'][i]}" + (
                "" if cells["unit"][i] in ("", q.unit) else f" {cells['unit'][i]}"
            )
            self.problem(
                int(i),
                "value",
                f"{where}: {found}, expected {expected(q)}.{range_hint(float(typed[i]), cells['unit'][i], q)}",
            )

    def runs(
        self, cells: list[str], status: Mapping[str, str], given: BoolArray, *, complete: bool
    ) -> None:
        if not self.has("run"):
            return
        unused = 0
        hints = _Hints(status, "runs")
        for i, run in enumerate(cells):
            state = status.get(run)
            if not run:
                self.problem(i, "run", "the cell is empty; write the run's name as in runs.csv.")
            elif state is None and complete:
                self.problem(i, "run", f"unknown run {echo(run)}; {hints[run]}")
            elif state == "planned" and given[i]:
                self.problem(
                    i,
                    "run",
                    f"run {run} is still planned in runs.csv but has a reading; set its status to printed or failed.",
                )
            elif state == "failed" and given[i]:
                unused += 1
        if unused:
            self.notices.append(f"Readings of failed runs, kept but not used: {unused}.")

    def duplicates(self, frame: pd.DataFrame, given: BoolArray) -> None:
        """Report a reading whose key was used before, at the later row; rows without a value do not count."""
        keyed = (frame["run"] != "") & (frame["quantity"] != "") & (frame["repeat"] > 0)
        used = frame[given & self.whole_rows & keyed]
        again = used[used.duplicated(subset=list(KEY))]
        if again.empty:
            return
        keys = list(zip(*(used[name].tolist() for name in KEY), strict=True))
        first: dict[tuple[object, ...], int] = {}
        highest: dict[tuple[object, ...], int] = {}
        for row, key in zip(used["row"].tolist(), keys, strict=True):
            first.setdefault(key, row)
            highest[key[:-1]] = max(highest.get(key[:-1], 0), key[-1])
        repeated = zip(*(again[name].tolist() for name in KEY), strict=True)
        for i, key in zip(again.index, repeated, strict=True):
            highest[key[:-1]] += 1
            text = (
                f"the same reading stands in row {first[key]} already (run {key[0]}, specimen {key[1]}, {key[2]}, "
                f"repeat {key[5]}); if it was read again, write repeat {highest[key[:-1]]}; if not, delete one."
            )
            self.problem(int(i), "repeat", text)


class _Hints(dict[str, str]):
    """The nearest right word for each wrong one; comparing is slow, so only for the first hundred."""

    def __init__(self, allowed: Iterable[str], kind: str) -> None:
        self.allowed, self.kind = list(allowed), kind

    def __missing__(self, word: str) -> str:
        hint = (
            suggestion(word, self.allowed, kind=self.kind)
            if len(self) < MOST_HINTS
            else "see the rows above."
        )
        if len(hint) > LONGEST_HINT:
            hint = f"there is none like it among the {len(self.allowed)} {self.kind}."
        self[word] = hint
        return hint


def _with_failed(reasons: list[str], runs: list[str], status: Mapping[str, str]) -> list[str]:
    failed = {run for run, state in status.items() if state == "failed"}
    return [
        RUN_FAILED if run in failed and not reason else reason
        for run, reason in zip(runs, reasons, strict=True)
    ]
