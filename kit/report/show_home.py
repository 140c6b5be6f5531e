"""The home notebook: where a study stands, as the questions that a maker asks, each with its date and its links."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

from kit.errors import KitError
from kit.report.document import Block, Group, Heading, Prose, Sentences
from kit.report.freshness import made_from, stamp_of
from kit.report.render import MAIN_TEMPLATE, REPORT, report_folder, template_path
from kit.report.wording import settings_line
from kit.saying import counted, percent
from kit.study.data import StudyData
from kit.study.folder import READINGS_FILE, RESULTS_FILE, RUNS_FILE, STUDY_FILE
from kit.study.intake import find_problems
from kit.study.status import CONFIRMATION, count_progress, study_status

Link = tuple[str, str]
"""Words and the file they lead to, as seen from the notebook."""

GAUGE_FILE = "gauge.csv"


def show_home(study: str | Path) -> Group:
    """Show where a study stands; nothing is computed and nothing changed.

    Parameters
    ----------
    study : str or Path
        The study folder, as seen from the notebook; links start from it.

    Returns
    -------
    Group
        A heading a question, its answer with the date of the file it comes from, and links.
    """
    folder = Path(study)
    data, problems = find_problems(folder)
    blocks: list[Block] = []
    if problems:
        said = tuple(str(p) for p in problems)
        blocks += _question(
            "What has to be mended first?",
            said,
            [("the study's description", STUDY_FILE)],
            folder,
            tone="notice",
        )
    if data is not None:
        for question in (_aim, _prints, _measuring, _readings, _settings, _confirmed):
            blocks += question(data, folder)
    blocks += _question("What next?", (_next_step(folder),), [], folder)
    return Group(tuple(blocks))


def _next_step(folder: Path) -> str:
    """Say what to do next, with the command as it is typed beside the study's folder."""
    status = study_status(folder)
    name = folder.resolve().name
    shown = f'"{name}"' if any(c.isspace() for c in name) else name
    command = " ".join([*status.command.split()[:2], shown]) if status.command else ""
    text = status.next_step.replace(status.command, command) if command else status.next_step
    return text[:1].upper() + text[1:]


def _question(
    text: str,
    answers: Iterable[str],
    links: Iterable[Link],
    folder: Path,
    *,
    tone: str = "plain",
    notebook: Link | None = None,
) -> Iterator[Block]:
    """Give a question with its answers and links; what a link leads to must be there.

    ``notebook`` is the one that goes into it, by the words of the link and its plain name.
    """
    yield Heading(text, 3)
    yield Sentences(tuple(answers), tone=tone)
    shown = [f"[{words}]({quote(target)})" for words, target in _reachable(links, folder)]
    if notebook is not None:
        shown.append(f"[{notebook[0]}]({quote(template_path(notebook[1]).name)})")
    if shown:
        yield Prose(" · ".join(shown))


def _reachable(links: Iterable[Link], folder: Path) -> Iterator[Link]:
    for words, target in links:
        if (folder / target).is_file():
            yield words, (folder / target).as_posix()


def _day(path: Path) -> str:
    """Give the local day and minute a file was last changed."""
    changed = datetime.fromtimestamp(path.stat().st_mtime, tz=UTC).astimezone()
    return f"{changed.day} {changed:%B %Y, %H:%M}"


def _aim(data: StudyData, folder: Path) -> Iterator[Block]:
    study = data.study
    asked = study.question or study.title
    answers = (asked, f"Described on {_day(folder / STUDY_FILE)}.")
    yield from _question("What do we want to know?", answers, [("description", STUDY_FILE)], folder)


def _prints(data: StudyData, folder: Path) -> Iterator[Block]:
    path, progress = folder / RUNS_FILE, count_progress(data)
    links = [("runs", RUNS_FILE), ("sheet for the printer", "sheets/bench.html")]
    if not path.is_file() or not progress.runs:
        answers = ["Nothing is planned yet."]
    else:
        failed = f", {progress.failed} failed" if progress.failed else ""
        answers = [
            f"{progress.printed} of {counted(progress.runs, 'run')} printed{failed}; table of {_day(path)}."
        ]
    into = ("the plan, and whether this printer can do it", "plan")
    yield from _question("What is printed?", answers, links, folder, notebook=into)


def _measuring(data: StudyData, folder: Path) -> Iterator[Block]:
    path = folder / GAUGE_FILE
    if path.is_file():
        answer = f"A gauge study of {_day(path)} tells."
    else:
        answer = "No gauge study yet: how far readings of one part lie apart is known only from repeat readings."
    into = ("the measuring, component by component", "gauge") if path.is_file() else None
    links = [("gauge readings", GAUGE_FILE)]
    yield from _question("How good is the measuring?", [answer], links, folder, notebook=into)


def _readings(data: StudyData, folder: Path) -> Iterator[Block]:
    path, progress = folder / READINGS_FILE, count_progress(data)
    links = [("readings", READINGS_FILE), ("sheet for the bench", "sheets/measuring.html")]
    if not path.is_file() or data.readings.empty:
        answers = ["Nothing is measured yet."]
    else:
        left_out = int((data.readings["excluded"] != "").sum())
        said = f" {counted(left_out, 'reading')} excluded, with a reason." if left_out else ""
        answers = [
            f"{counted(len(data.readings), 'reading')}; {progress.measured} of {counted(progress.printed, 'print')} measured completely.{said}",
            f"Last changed on {_day(path)}.",
        ]
    yield from _question("What is measured?", answers, links, folder)


def _settings(data: StudyData, folder: Path) -> Iterator[Block]:
    report = report_folder(folder, MAIN_TEMPLATE)
    page = report / "index.html"
    answers = ["There is no report yet."]
    if page.is_file():
        answers = [*_found(report, data), f"Report of {_day(page)}, {_age(folder, report)}."]
    links = [("the report", f"{REPORT}/index.html"), ("its numbers", f"{REPORT}/{RESULTS_FILE}")]
    words = "from readings to settings, step by step"
    into = None if data.readings.empty else (words, MAIN_TEMPLATE)
    yield from _question("Which settings are good enough?", answers, links, folder, notebook=into)


def _age(folder: Path, report: Path) -> str:
    stamp = stamp_of(report)
    if stamp is not None and stamp == made_from(folder, template_path(MAIN_TEMPLATE), {}):
        return "up to date"
    return "older than what it was made from, or made with options"


def _found(report: Path, data: StudyData) -> Iterator[str]:
    """Say what the report's numbers recommend, as far as they can be read."""
    try:
        numbers: dict[str, Any] = json.loads((report / RESULTS_FILE).read_text(encoding="utf-8"))
        chosen = numbers["recommended"] or numbers["best_compromise"]
        if chosen is None:
            yield "An interim report: no settings can be named yet."
            return
        where = settings_line(data.study, chosen["settings"])
    except (OSError, ValueError, KeyError, TypeError, KitError):
        yield "The report's numbers cannot be read; make it again."
        return
    if numbers["recommended"]:
        yield f"{where}. Chance that one new part meets every requirement: {percent(chosen['probability'])}."
    else:
        yield f"None reach the chance asked for; the best compromise is {where}."


def _confirmed(data: StudyData, folder: Path) -> Iterator[Block]:
    rounds = data.runs[data.runs["round"] == CONFIRMATION]
    if rounds.empty:
        answer = "No prints were made to confirm the settings yet."
    else:
        done = int((rounds["status"] == "printed").sum())
        answer = f"{done} of {counted(len(rounds), 'confirming print')} made."
    into = None if rounds.empty else ("the confirmation", "confirm")
    yield from _question("Does it hold on new prints?", [answer], [], folder, notebook=into)
