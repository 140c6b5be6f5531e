"""Rendering on the processors of this machine: one forked process a study, so many at a time."""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
from collections import deque
from collections.abc import Iterator, Sequence
from multiprocessing.connection import Connection, wait
from multiprocessing.context import ForkProcess

from kit.report.batch import Job, Outcome, do_job, lost
from kit.report.preload import preload_client, preload_notebook
from kit.report.render import template_path

TRIES = 2
"""A killed process is replaced once; twice is no accident."""


class Renderer:
    """A process that renders one study and tells what became of it."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.line, there = multiprocessing.Pipe(duplex=False)
        self.process = ForkProcess(target=_render, args=(job, there))
        self.process.start()
        there.close()

    def outcome(self) -> Outcome | None:
        """Give what it said before it ended; None if it was killed."""
        try:
            found: Outcome | None = self.line.recv()
        except (EOFError, OSError):
            found = None
        self.line.close()
        self.process.join()
        self.process.close()
        return found

    def stop(self) -> None:
        """End it; its kernel ends with it."""
        self.process.terminate()
        self.process.join(5)


def warm_up(template: str) -> None:
    """Load everything once; what is forked from here has it."""
    preload_client()
    preload_notebook(template_path(template))
    from kit.charts.style import try_pens  # loads matplotlib, which only this needs

    try_pens()
    gc.freeze()


def render_here(jobs: Sequence[Job], workers: int) -> Iterator[Outcome]:
    """Render studies, so many at a time.

    Parameters
    ----------
    jobs : sequence of Job
        All of one template.
    workers : int
        Processes at a time.

    Yields
    ------
    Outcome
        As they come.
    """
    if jobs:
        warm_up(jobs[0].template)
    waiting = deque((job, TRIES) for job in jobs)
    running: dict[Connection, tuple[Renderer, int]] = {}
    try:
        while waiting or running:
            while waiting and len(running) < max(1, workers):
                job, tries = waiting.popleft()
                renderer = Renderer(job)
                running[renderer.line] = (renderer, tries - 1)
            for line in wait(list(running)):
                renderer, tries = running.pop(line)  # type: ignore[call-overload]
                outcome = renderer.outcome()
                if outcome is None and tries:
                    waiting.append((renderer.job, tries))
                else:
                    yield outcome or lost(renderer.job)
    finally:
        for renderer, _ in running.values():
            renderer.stop()


def _render(job: Job, line: Connection) -> None:
    signal.signal(
        signal.SIGINT, signal.SIG_DFL
    )  # an interrupt ends it quietly; the old report stands
    with open(os.devnull, "w", encoding="utf-8") as nothing:  # noqa: PTH123
        os.dup2(nothing.fileno(), 1)
    line.send(do_job(job))
