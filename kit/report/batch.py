"""Many reports at once: on the processors of this machine, or on a cluster.

Everything a notebook needs is loaded once; each study then gets a process of its own, forked from this one, which runs
its notebook by papermill in a kernel forked in turn. One broken study, or one process that is killed, costs no other
study anything.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from kit.errors import KitError, RenderError, StudyError
from kit.report.render import MAIN_TEMPLATE, is_current, render_report, template_path
from kit.report.run import check_parameters
from kit.study.folder import REPORT_FOLDER, STUDY_FILE

State = Literal["rendered", "unchanged", "failed"]
DEPTH = 3
"""How many folders deep studies are looked for."""


@dataclass(frozen=True)
class Job:
    """One report to render.

    Attributes
    ----------
    study : str
        The study folder.
    template : str
        Plain name of the notebook.
    parameters : dict
        Its options.
    """

    study: str
    template: str = MAIN_TEMPLATE
    parameters: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Outcome:
    """What became of one study.

    Attributes
    ----------
    study : str
        The study folder.
    state : {"rendered", "unchanged", "failed"}
    text : str
        The answer in a sentence, or what is wrong.
    """

    study: str
    state: State
    text: str = ""


def find_studies(folder: Path) -> list[Path]:
    """Find the studies in a folder.

    Parameters
    ----------
    folder : Path
        Not a study itself.

    Returns
    -------
    list of Path
        Folders with a ``study.toml``, at most `DEPTH` levels down, by name; hidden folders and reports are left out.
    """
    return sorted(_studies(folder, DEPTH))


def _studies(folder: Path, depth: int) -> Iterator[Path]:
    try:
        inside = [p for p in folder.iterdir() if p.is_dir() and not p.name.startswith(".")]
    except PermissionError:
        return
    for path in inside:
        if (path / STUDY_FILE).is_file():
            yield path
        elif depth > 1 and path.name != REPORT_FOLDER:
            yield from _studies(path, depth - 1)


def render_all(
    studies: Sequence[Path],
    *,
    template: str = MAIN_TEMPLATE,
    parameters: Mapping[str, Any] | None = None,
    always: bool = False,
    workers: int | None = None,
    scheduler: str | None = None,
    tell: Callable[[Outcome], None] = lambda outcome: None,
) -> list[Outcome]:
    """Render the reports of many studies; what has not changed since its last report is left as it is.

    Parameters
    ----------
    studies : sequence of Path
        Study folders.
    template, parameters
        As for `render_report`, the same for all.
    always : bool
        Render unchanged studies too.
    workers : int, optional
        Studies at a time on this machine; default: one a processor.
    scheduler : str, optional
        Address of a Dask scheduler whose workers see the same folders; they do the work then.
    tell : callable
        Given each outcome as it comes.

    Returns
    -------
    list of Outcome
        In the order of the studies.

    Raises
    ------
    RenderError
        If the options do not fit the template, or no scheduler answers; nothing was rendered.
    """
    check_parameters(template_path(template), dict(parameters or {}))
    everything = [Job(str(s.resolve()), template, dict(parameters or {})) for s in studies]
    outcomes: dict[str, Outcome] = {}
    if not always:
        for job in filter(_is_unchanged, everything):
            outcomes[job.study] = Outcome(job.study, "unchanged")
            tell(outcomes[job.study])
    jobs = [job for job in everything if job.study not in outcomes]
    if scheduler is not None:
        from kit.report.cluster import render_on_cluster

        found = render_on_cluster(jobs, scheduler)
    elif sys.platform == "linux":
        from kit.report.workers import render_here

        found = render_here(jobs, workers or processors())
    else:
        found = map(do_job, jobs)
    for outcome in found:
        outcomes[outcome.study] = outcome
        tell(outcome)
    return [outcomes[job.study] for job in everything]


def _is_unchanged(job: Job) -> bool:
    try:
        return is_current(Path(job.study), job.template, job.parameters)
    except OSError:  # rendering will say what is wrong
        return False


def processors() -> int:
    """Count the processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def do_job(job: Job) -> Outcome:
    """Render one report, or say why not; never raises for what is wrong with a study."""
    folder = Path(job.study)
    try:
        rendered = render_report(
            folder, template=job.template, parameters=job.parameters, painter=False
        )
    except StudyError as error:
        return Outcome(job.study, "failed", "\n".join(map(str, error.problems)))
    except (KitError, OSError) as error:
        return Outcome(job.study, "failed", str(error))
    except Exception as error:  # noqa: BLE001 - one study's surprise must not cost the others their reports
        return Outcome(job.study, "failed", f"stopped with {type(error).__name__}: {error}")
    return Outcome(job.study, "rendered", rendered.sentence)


def lost(job: Job) -> Outcome:
    """Give the outcome of a study whose process was killed, and killed again."""
    return Outcome(
        job.study,
        "failed",
        "the process rendering it was killed twice (too little memory?); the earlier report, if any, stands",
    )


def need_found(studies: Sequence[Path], folder: Path) -> None:
    """Refuse a folder in which there is nothing to do.

    Raises
    ------
    RenderError
        If there are no studies.
    """
    if not studies:
        raise RenderError(
            f"{folder.name or folder}: neither a study ({STUDY_FILE} is missing) nor a folder with studies in it. "
            "`testprint new FOLDER` describes one."
        )
