"""The whole study folder at once: a clean `StudyData`, or every problem of all files.

A problem in one file does not hide those of the others: what the description says in spite of its faults
is enough to judge the tables, and what it does not say is not held against them.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from kit.errors import Problem, StudyError
from kit.study import check_readings as readings_room
from kit.study import check_runs as runs_room
from kit.study.advice import study_notices
from kit.study.check_readings import CheckedReadings, check_readings
from kit.study.check_runs import CheckedRuns, check_runs, run_columns
from kit.study.curve_files import curve_run_problems, with_curves
from kit.study.data import StudyData
from kit.study.description import Study
from kit.study.folder import READINGS_FILE, RUNS_FILE, STUDY_FILE, digest, read_bytes
from kit.study.measuring_files import measuring_files
from kit.study.progress import unread_prints
from kit.study.read import StudyReading, missing_description, read_description
from kit.study.structure import Draft
from kit.study.table_files import TableFile, read_table_file
from kit.study.tables import TextTable, read_table

READINGS = "readings"


def take_in(folder: Path | str) -> StudyData:
    """Take in a study folder.

    Parameters
    ----------
    folder : Path or str
        With ``study.toml`` and, as far as the study has come, ``runs.csv`` and ``readings.csv``.

    Returns
    -------
    StudyData
        Tables without a row where there is no file yet.

    Raises
    ------
    StudyError
        With all problems of all files, if there are any. Nothing is changed.
    """
    data, problems = find_problems(folder)
    if data is None:
        raise StudyError(problems)
    return data


def find_problems(folder: Path | str) -> tuple[StudyData | None, tuple[Problem, ...]]:
    """Take in a study folder and give its problems instead of raising.

    Parameters
    ----------
    folder : Path or str
        The study folder.

    Returns
    -------
    data : StudyData or None
        None when there are problems.
    problems : tuple of Problem
        In the order of the files, then of the rows.
    """
    folder = Path(folder)
    files = {name: read_bytes(folder, name) for name in (STUDY_FILE, RUNS_FILE)}
    taken = read_table_file(folder, READINGS)
    files[taken.name] = taken.data, taken.problem
    data, problem = files[STUDY_FILE]
    reading = missing_description(problem) if data is None else read_description(data)
    measuring = measuring_files(folder, reading.study)
    runs = _take_runs(reading, *files[RUNS_FILE])
    readings = _take_readings(reading, runs, taken)
    if runs.checked is not None:
        measuring.problems += curve_run_problems(measuring.curves, runs.checked.names)
    problems = (*reading.problems, *runs.problems, *readings.problems, *measuring.problems)
    if reading.study is None or problems:
        return None, problems
    notices = (*study_notices(reading.study), *runs.notices, *readings.notices, *measuring.notices)
    if runs.checked is not None and readings.checked is not None:
        read = with_curves(readings.checked.frame, reading.study, measuring.curves)
        notices += tuple(unread_prints(reading.study, runs.checked.frame, read))
    digests = {name: digest(content) for name, (content, _) in files.items() if content is not None}
    digests |= measuring.digests
    run_table = runs.checked.frame if runs.checked else _no_runs(reading.study)
    reading_table = readings.checked.frame if readings.checked else _no_readings(reading.study)
    return StudyData(
        reading.study,
        run_table,
        reading_table,
        notices,
        digests,
        gauge=measuring.gauge,
        references=measuring.references,
        curves=measuring.curves,
    ), ()


@dataclass(frozen=True)
class _Taken:
    """What came of one table: its problems and notices, and its rows if there were any to check."""

    problems: tuple[Problem, ...] = ()
    notices: tuple[str, ...] = ()


@dataclass(frozen=True)
class _TakenRuns(_Taken):
    checked: CheckedRuns | None = None
    is_there: bool = False


@dataclass(frozen=True)
class _TakenReadings(_Taken):
    checked: CheckedReadings | None = None


def _take_runs(reading: StudyReading, data: bytes | None, problem: Problem | None) -> _TakenRuns:
    if problem is not None:
        return _TakenRuns((problem,), is_there=True)
    if data is None:
        return _TakenRuns(
            notices=("There is no runs.csv yet: the study is described but not planned.",)
        )
    study, draft = _as_far_as_known(reading)
    required, optional = run_columns((f.name for f in study.factors), study.model.random)
    table, problems = read_table(data, RUNS_FILE, required=required, optional=optional)
    if not _all_known(draft, "factor", "name"):
        # Columns of factors that could not be read look like strangers, and so do their cells.
        problems = [p for p in problems if not p.text.startswith("unknown column")]
    if table is None or draft is None:
        return _TakenRuns(tuple(problems), is_there=True)
    checked = check_runs(table, study, _unread(draft, "factor", ("kind", "levels", "name")))
    found = sorted([*problems, *checked.problems], key=lambda p: p.row)
    return _TakenRuns(tuple(found), tuple(checked.notices), checked, is_there=True)


def _take_readings(reading: StudyReading, runs: _TakenRuns, taken: TableFile) -> _TakenReadings:
    data, file = taken.data, taken.name
    if taken.problem is not None:
        return _TakenReadings((taken.problem,))
    if data is None:
        notice = "There is no readings.csv yet: nothing is measured."
        return _TakenReadings(notices=(notice,) if runs.is_there else ())
    study, draft = _as_far_as_known(reading)
    required, optional = readings_room.REQUIRED, readings_room.OPTIONAL
    table, problems = read_table(data, file, required=required, optional=optional)
    if table is not None and len(table) and not runs.is_there:
        text = "there are readings but no runs.csv; `testprint plan` writes it, or bring it back."
        problems = [Problem(file, 0, "", text), *problems]
    if table is None or draft is None:
        return _TakenReadings(tuple(problems))
    checked = check_readings(
        table,
        study,
        runs.checked.names if runs.checked else None,
        runs_complete=runs.checked is not None and runs.checked.complete,
        unread=_unread(draft, "response", ("from", "unit", "nominal", "plausible", "name")),
        names_complete=_all_known(draft, "response", "name", "from"),
    )
    found = sorted([*problems, *checked.problems], key=lambda p: p.row)
    return _TakenReadings(tuple(found), tuple(checked.notices), checked)


def _as_far_as_known(reading: StudyReading) -> tuple[Study, Draft | None]:
    if reading.study is not None:
        return reading.study, Draft(reading.study)
    if reading.draft is not None:
        return reading.draft.study, reading.draft
    return Study.model_construct(title="", factor=(), response=()), None


def _all_known(draft: Draft | None, section: str, *keys: str) -> bool:
    """Whether these keys of all factors, or of all responses, could be read."""
    telling = (section, *keys)
    return draft is not None and not any(p[0] == section and p[-1] in telling for p in draft.broken)


def _unread(draft: Draft, section: str, keys: tuple[str, ...]) -> frozenset[str]:
    """Name the factors or responses of which one of these keys could not be read."""
    named = getattr(draft.study, section)
    return frozenset(
        part.name
        for i, part in enumerate(named)
        if any(draft.is_broken(section, i, key) for key in keys)
    )


def _no_runs(study: Study) -> pd.DataFrame:
    required, optional = run_columns((f.name for f in study.factors), study.model.random)
    table = TextTable(RUNS_FILE, {name: [] for name in (*required, *optional)}, [], [], ",")
    return runs_room.check_runs(table, study).frame


def _no_readings(study: Study) -> pd.DataFrame:
    names = (*readings_room.REQUIRED, *readings_room.OPTIONAL)
    table = TextTable(READINGS_FILE, {name: [] for name in names}, [], [], ",")
    return check_readings(table, study, {}).frame
