"""Where a study stands and what to do next, from its files alone."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from kit.errors import Problem
from kit.study.curve_files import with_curves
from kit.study.data import StudyData
from kit.study.folder import (
    PAGE_FILE,
    READINGS_FILE,
    REPORT_FOLDER,
    RESULTS_FILE,
    RUNS_FILE,
    STUDY_FILE,
    TO_FILL_FILE,
    read_bytes,
)
from kit.study.intake import find_problems
from kit.study.progress import planned_runs, runs_measured
from kit.words import CONFIRMATION as CONFIRMATION


@dataclass(frozen=True)
class Status:
    """Where a study stands.

    Attributes
    ----------
    sentences : tuple of str
        What is there, in the order of the work.
    next_step : str
        What to do next, in a sentence that ends with the command where there is one.
    command : str
        That command alone; empty when the next step is at the printer, the bench or the desk.
    problems : tuple of Problem
        What is wrong with the files, if anything is.
    """

    sentences: tuple[str, ...]
    next_step: str
    command: str = ""
    problems: tuple[Problem, ...] = ()

    def __str__(self) -> str:
        """Give the lines that the command prints."""
        return "\n".join([*self.sentences, f"Next: {self.next_step}"])


def _status(
    sentences: tuple[str, ...], step: str, command: str, problems: tuple[Problem, ...] = ()
) -> Status:
    return Status(sentences, f"{step}: {command}", command, problems)


@dataclass(frozen=True)
class Progress:
    """Counts of a study.

    Attributes
    ----------
    runs, printed, failed, planned : int
        Runs in all, and by status.
    measured : int
        Printed runs with every response complete.
    """

    runs: int
    printed: int
    failed: int
    planned: int
    measured: int


def study_status(folder: Path | str) -> Status:
    """Look at a study folder and say what to do next; nothing is changed.

    Parameters
    ----------
    folder : Path or str
        The study folder, as it should stand in commands.

    Returns
    -------
    Status
    """
    shown = f'"{folder}"' if any(c.isspace() for c in str(folder)) else str(folder)
    folder = Path(folder)
    if read_bytes(folder, STUDY_FILE) == (None, None):
        return _status(
            (f"There is no study in {shown}.",), "describe one", f"testprint new {shown}"
        )
    data, problems = find_problems(folder)
    if data is None:
        files = ", ".join(dict.fromkeys(p.file for p in problems))
        many = "problem" if len(problems) == 1 else "problems"
        sentence = f"The study has {len(problems)} {many} in {files}; the first: {problems[0]}"
        return _status((sentence,), "correct what this lists", f"testprint check {shown}", problems)
    return _healthy(data, folder, shown)


def count_progress(data: StudyData) -> Progress:
    """Count runs by status, and those that are measured completely.

    Parameters
    ----------
    data : StudyData
        A study taken in.

    Returns
    -------
    Progress
    """
    status = data.runs["status"]
    printed = set(data.runs.loc[status == "printed", "run"])
    read = with_curves(data.readings, data.study, data.curves)
    measured = printed.intersection(*runs_measured(data.study, read).values())
    counts = [int((status == s).sum()) for s in ("printed", "failed", "planned")]
    return Progress(len(status), counts[0], counts[1], counts[2], len(measured))


def _healthy(data: StudyData, folder: Path, shown: str) -> Status:
    progress = count_progress(data)
    steps = data.study.design.family == "small_steps"
    home = f"{REPORT_FOLDER}/small-steps" if steps else report_home(data)
    report = _report_state(folder / home, data.digests)
    sentences = tuple(_sentences(data, progress, report, folder))
    if not progress.runs:
        return _status(sentences, "plan the runs", f"testprint plan {shown}")
    if not progress.printed and not progress.planned:
        step = (
            "every run failed: choose gentler settings in study.toml and plan them in a new folder"
        )
        return Status(sentences, f"{step}.")
    if not progress.printed:
        step = f"print the runs in print order and set their status in {RUNS_FILE} to printed or failed; then look for slips"
        return _status(sentences, step, f"testprint check {shown}")
    if data.readings.empty:
        step = f"measure the prints in the order of {TO_FILL_FILE} and save it as {READINGS_FILE}; then look for slips"
        return _status(sentences, step, f"testprint check {shown}")
    if report != "current":
        interim = (
            "an interim report"
            if planned_runs(data.runs) or progress.measured < progress.printed
            else "the report"
        )
        template = " --template small-steps" if steps else ""
        return _status(sentences, f"make {interim}", f"testprint report {shown}{template}")
    page = f"{home}/{PAGE_FILE}"
    if progress.planned:
        return Status(
            sentences, f"read {page}, or print what is left: {_count(progress.planned, 'run')}."
        )
    if progress.measured < progress.printed:
        return Status(sentences, f"read {page}, or measure the prints that are left.")
    if data.study.adopt.donor or steps:
        return Status(sentences, f"read {page}.")
    return _status(sentences, f"read {page}; then ask what comes next", f"testprint next {shown}")


def _sentences(data: StudyData, progress: Progress, report: str, folder: Path) -> Iterator[str]:
    study = data.study
    yield f"{study.title}: {_count(len(study.factors), 'factor')}, {_count(len(study.responses), 'response')}."
    if not progress.runs:
        yield "Described, not planned yet."
        return
    failed = f", {progress.failed} failed" if progress.failed else ""
    yield f"{progress.printed} of {_count(progress.runs, 'run')} printed{failed}; {progress.measured} measured completely."
    yield {
        "none": "There is no report yet.",
        "current": "The report is up to date.",
        "old": "The report is older than the files it was made from.",
        "unreadable": f"{REPORT_FOLDER}/{RESULTS_FILE} cannot be read; make the report again.",
    }[report]
    if report == "current" and not study.adopt.donor and study.design.family != "small_steps":
        yield _confirmed(folder, data)


def _confirmed(folder: Path, data: StudyData) -> str:
    """Say how far the answer is confirmed, as the report has it."""
    content, _ = read_bytes(folder / REPORT_FOLDER, RESULTS_FILE)
    found = (json.loads(content) if content else {}).get("confirmation")
    if found is not None:
        verdict = str(found.get("verdict", ""))
        words = {
            "meets": "confirmed by new prints",
            "does not meet": "withdrawn: new prints spoke against it",
        }
        return f"The answer is {words.get(verdict, 'still undecided after new prints')}."
    if CONFIRMATION in set(data.runs["round"]):
        return "Confirming prints are planned; the answer is not confirmed yet."
    return "The answer is not confirmed by new prints yet."


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"


def report_home(data: StudyData) -> str:
    """Give the folder of a study's main report; that of an adopter is the one about adopting."""
    return f"{REPORT_FOLDER}/adopt" if data.study.adopt.donor else REPORT_FOLDER


def _report_state(folder: Path, digests: Mapping[str, str]) -> str:
    """Tell whether the report was made from the files as they are now: none, current, old or unreadable."""
    data, problem = read_bytes(folder, RESULTS_FILE)
    if data is None:
        return "unreadable" if problem else "none"
    try:
        made_from = json.loads(data)["provenance"]["input_digests"]
        mine = {name: value for name, value in made_from.items() if not name.startswith("donor/")}
        return "current" if mine == dict(digests) else "old"
    except (ValueError, KeyError, TypeError, RecursionError):
        return "unreadable"
