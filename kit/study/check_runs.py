"""``runs.csv``: from text to a clean table, with everything that is wrong in it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from kit.errors import Problem
from kit.study.cells import not_a_number, parse_numbers
from kit.study.check_factors import hard_stop
from kit.study.description import Factor, Study
from kit.study.names import ACTUAL
from kit.study.nearest import echo, number, suggestion
from kit.study.tables import TextTable
from kit.study.units import factor_unit, kind_range, with_unit
from kit.terms import FloatArray
from kit.words import CONFIRMATION

STATUSES = ("planned", "printed", "failed")
REQUIRED = ("run", "print_order", "status")
OPTIONAL = ("round", "block", "note")
FAR_OUT = 3.0
"""Half-ranges from the middle beyond which a setting is worth a notice."""

FIRST_ROUND, FIRST_BLOCK = "1", 1


@dataclass
class CheckedRuns:
    """The runs as far as they could be read.

    Attributes
    ----------
    frame : DataFrame
        As `kit.study.data.StudyData.runs` says, meaningful only without problems.
    problems : list of Problem
    notices : list of str
    names : dict of str to str
        Status of every run, by name, also where other cells are wrong.
    complete : bool
        Whether every run of the file is among ``names``.
    """

    frame: pd.DataFrame
    problems: list[Problem] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    names: dict[str, str] = field(default_factory=dict)
    complete: bool = True


def run_columns(
    factors: Iterable[str], groups: Iterable[str] = ()
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Give the required and the optional columns of ``runs.csv``; ``groups``: those of ``[model] random``."""
    factors = [name for name in factors if name]
    required = (*REQUIRED, *factors, *(g for g in groups if g and g not in factors))
    return required, (*OPTIONAL, *(f"{name}{ACTUAL}" for name in factors))


def check_runs(table: TextTable, study: Study, unread: frozenset[str] = frozenset()) -> CheckedRuns:
    """Check and convert the runs.

    Parameters
    ----------
    table : TextTable
        The file.
    study : Study
        The description, possibly a draft.
    unread : frozenset of str
        Factors of which the description could not be read, so that their cells cannot be judged.

    Returns
    -------
    CheckedRuns
    """
    check = _Check(table, study)
    runs = check.run_names()
    frame = pd.DataFrame({"run": runs})
    frame["round"] = [text or FIRST_ROUND for text in table.cells("round")]
    frame["block"] = check.whole("block", FIRST_BLOCK)
    frame["print_order"] = check.whole("print_order")
    check.unique_order(frame["print_order"].tolist())
    check.blocks_in_one_round(frame)
    for factor in study.factors:
        taken = {factor.name, f"{factor.name}{ACTUAL}"} & {*frame.columns, "status", "note", ""}
        if taken or factor.name in unread or factor.name not in table.columns:
            continue  # reported with the description
        planned = check.settings(factor, factor.name)
        actual = check.settings(factor, f"{factor.name}{ACTUAL}", planned)
        frame[factor.name], frame[f"{factor.name}{ACTUAL}"] = planned, actual
        check.far_out(factor, planned, runs)
    for group in study.model.random:
        if group not in {*frame.columns, "status", "note", ""} and group in table.columns:
            frame[group] = check.labels(group)
    frame["status"] = check.status()
    frame["note"] = table.cells("note")
    known = dict(zip(runs, frame["status"], strict=True))
    check.notices += list(_progress(frame))
    return CheckedRuns(
        _ordered(frame, study), check.problems, check.notices, known, not any(table.ragged)
    )


class _Check:
    """Collects problems column by column; ragged rows are left alone, they were reported."""

    def __init__(self, table: TextTable, study: Study) -> None:
        self.table, self.study = table, study
        self.problems: list[Problem] = []
        self.notices: list[str] = []

    def problem(self, position: int, column: str, text: str) -> None:
        if not self.table.ragged[position]:
            self.problems.append(Problem(self.table.file, self.table.rows[position], column, text))

    def run_names(self) -> list[str]:
        runs = self.table.cells("run")
        first: dict[str, int] = {}
        for i, run in enumerate(runs if "run" in self.table.columns else ()):
            if not run:
                self.problem(
                    i,
                    "run",
                    "the cell is empty; every run needs a name of its own, such as 1, 2, 3.",
                )
            elif run in first:
                self.problem(
                    i,
                    "run",
                    f"run {run} stands in row {self.table.rows[first[run]]} already; every run needs a name of its own.",
                )
            first.setdefault(run, i)
        return runs

    def whole(self, column: str, default: int | None = None) -> list[int]:
        """Read whole numbers from 1; with a default, a column that is missing or quite empty gets it."""
        cells = self.table.cells(column)
        if column not in self.table.columns or (default is not None and not any(cells)):
            return [default or 0] * len(cells)
        values, wrong, empty = parse_numbers(cells, decimal_comma=self.table.decimal_comma)
        odd = ~wrong & ~empty & ((values < 1) | (values != np.floor(values)) | (values > 1e9))
        for i in np.flatnonzero(wrong | empty | odd):
            what = "the cell is empty" if empty[i] else f"found {echo(cells[i])}"
            self.problem(int(i), column, f"{what}; {column} is a whole number from 1.")
        return [int(v) for v in np.where(wrong | empty | odd, 0, values)]

    def unique_order(self, orders: Sequence[int]) -> None:
        first: dict[int, int] = {}
        for i, order in enumerate(orders):
            row = first.setdefault(order, self.table.rows[i])
            if order > 0 and row != self.table.rows[i]:
                text = f"{order} stands in row {row} already; no two runs are printed at the same time."
                self.problem(i, "print_order", text)

    def blocks_in_one_round(self, frame: pd.DataFrame) -> None:
        first: dict[int, tuple[str, int]] = {}
        for i, (block, name) in enumerate(zip(frame["block"], frame["round"], strict=True)):
            home, row = first.setdefault(block, (name, self.table.rows[i]))
            if home != name and block > 0:
                text = f"block {block} belongs to round {home!r} since row {row}; a new round starts new blocks. Use the next free number."
                self.problem(i, "block", text)

    def labels(self, group: str) -> list[str]:
        """Read a column that names groups; a planned run may not know its group yet."""
        cells = self.table.cells(group)
        for i, (cell, status) in enumerate(zip(cells, self.table.cells("status"), strict=True)):
            if not cell and status.casefold() == "printed":
                text = f"the cell is empty; every printed run needs the name of its {group}."
                self.problem(i, group, text)
        return cells

    def status(self) -> list[str]:
        cells = [cell.casefold() for cell in self.table.cells("status")]
        for i, cell in enumerate(cells if "status" in self.table.columns else ()):
            if cell not in STATUSES:
                what = f"found {echo(cell)}" if cell else "the cell is empty"
                self.problem(i, "status", f"{what}; {suggestion(cell, STATUSES)}")
        return cells

    def settings(
        self, factor: Factor, column: str, planned: Sequence[float | str] | None = None
    ) -> list[float] | list[str]:
        """Read a factor's column; with ``planned``, empty cells take the planned setting."""
        cells = self.table.cells(column)
        if factor.is_category:
            return self._levels(factor, column, cells, planned)
        values, wrong, empty = parse_numbers(cells, decimal_comma=self.table.decimal_comma)
        for i in np.flatnonzero(wrong):
            self.problem(
                int(i), column, not_a_number(cells[i], decimal_comma=self.table.decimal_comma)
            )
        if planned is None:
            for i in np.flatnonzero(empty):
                self.problem(
                    int(i), column, f"the cell is empty; write the setting of {factor.name}."
                )
        for position, text in self._beyond(factor, values, is_planned=planned is None):
            self.problem(position, column, text)
        if planned is not None:
            values = np.where(empty, np.asarray(planned, dtype=float), values)
        return [float(v) for v in values]

    def _levels(
        self, factor: Factor, column: str, cells: list[str], planned: Sequence[float | str] | None
    ) -> list[str]:
        levels = list(cells)
        for i, cell in enumerate(cells):
            if not cell and planned is not None:
                levels[i] = str(planned[i])
            elif cell not in factor.levels and factor.levels:
                what = f"found {echo(cell)}" if cell else "the cell is empty"
                self.problem(i, column, f"{what}; {suggestion(cell, factor.levels, kind='levels')}")
        return levels

    def _beyond(
        self, factor: Factor, values: FloatArray, *, is_planned: bool
    ) -> Iterator[tuple[int, str]]:
        """Find settings beyond hard limits, or that no such factor can have."""
        unit, stop, kind = factor_unit(factor), hard_stop(self.study, factor), kind_range(factor)
        for i in np.flatnonzero(~np.isnan(values)):
            value = float(values[i])
            found = f"found {with_unit(value, unit)}"
            if stop is not None and value > stop.value:
                yield (
                    int(i),
                    f"{found}, above the printer's hard stop {stop.key} = {number(stop.value)}.",
                )
            elif kind is not None and not kind[0] <= value <= kind[1]:
                yield (
                    int(i),
                    f"{found}; {factor.kind} lies within {number(kind[0])} to {with_unit(kind[1], unit)}.",
                )
            elif is_planned and factor.min is not None and value < factor.min:
                yield (
                    int(i),
                    f"{found}, below the hard limit min = {number(factor.min)} of {factor.name}.",
                )
            elif is_planned and factor.max is not None and value > factor.max:
                yield (
                    int(i),
                    f"{found}, above the hard limit max = {number(factor.max)} of {factor.name}.",
                )

    def far_out(self, factor: Factor, settings: Sequence[float | str], runs: Sequence[str]) -> None:
        if (
            factor.is_category
            or factor.low is None
            or factor.high is None
            or factor.low >= factor.high
        ):
            return
        coded = factor.coded.code(settings)
        for i in map(int, np.flatnonzero(np.abs(coded) > FAR_OUT)):
            shown = with_unit(float(settings[i]), factor_unit(factor))
            self.notices.append(
                f"Run {runs[i]}: {factor.name} {shown} is {abs(coded[i]):.1f} half-ranges from the middle of low and high. Is it meant?"
            )


def _ordered(frame: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Put the columns in the order that `StudyData` states."""
    factors = [f.name for f in study.factors if f"{f.name}{ACTUAL}" in frame.columns]
    actual = [f"{name}{ACTUAL}" for name in factors]
    groups = [g for g in study.model.random if g in frame.columns and g not in factors]
    order = ["run", "round", "block", *groups, "print_order", *factors, *actual, "status", "note"]
    frame = frame[list(dict.fromkeys(order))]
    scales = {f.name for f in study.factors if not f.is_category}
    numeric = [c for c in (*factors, *actual) if c.removesuffix(ACTUAL) in scales]
    text = [c for c in frame.columns if c not in {*numeric, "block", "print_order"}]
    kinds: dict[str, str] = dict.fromkeys(numeric, "float64") | dict.fromkeys(text, "str")
    return frame.astype({**kinds, "block": "int64", "print_order": "int64"})


def _progress(frame: pd.DataFrame) -> Iterator[str]:
    """Say how far the printing is."""
    total = len(frame)
    count = {status: int((frame["status"] == status).sum()) for status in STATUSES}
    if not total:
        yield "runs.csv lists no runs yet."
    elif not count["printed"] and not count["failed"]:
        yield f"None of the {total} planned runs is printed yet."
    elif count["planned"]:
        failed = f", {count['failed']} failed" if count["failed"] else ""
        confirming = bool((frame.loc[frame["status"] == "planned", "round"] == CONFIRMATION).all())
        then = ", for confirming" if confirming else ": results so far are interim"
        yield f"{count['printed']} of {total} runs printed{failed}, {count['planned']} still planned{then}."
    if count["failed"]:
        names = frame.loc[frame["status"] == "failed", "run"]
        yield f"{'Run' if len(names) == 1 else 'Runs'} {', '.join(names)} failed and {'does' if len(names) == 1 else 'do'} not enter any fit."
