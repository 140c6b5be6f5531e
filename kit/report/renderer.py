"""A process that renders studies for a cluster's worker: a line of JSON in, a line of JSON out, until the input ends.

Run as ``python -m kit.report.renderer``. Each study is rendered in a process forked from this one. When the worker is
gone the input ends; the study at hand is then stopped, and somebody else does it.
"""

from __future__ import annotations

import json
import os
import sys
from dataclasses import asdict
from multiprocessing.connection import wait

from kit.report.batch import Job, Outcome, do_job, lost
from kit.report.kernel import can_fork
from kit.report.workers import TRIES, Renderer, warm_up


def serve() -> None:
    """Answer until nobody asks any more."""
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # what somebody prints goes with the messages, not between the answers
    questions = os.fdopen(os.dup(0), encoding="utf-8")
    warm: set[str] = set()
    while line := questions.readline():
        job = Job(**json.loads(line))
        if can_fork() and job.template not in warm:
            warm_up(job.template)
            warm.add(job.template)
        outcome = _render(job, questions.fileno())
        if outcome is None:
            return
        answers.write(json.dumps(asdict(outcome)) + "\n")
        answers.flush()


def _render(job: Job, asking: int) -> Outcome | None:
    """Render one study; None if the worker went away meanwhile."""
    if not can_fork():
        return do_job(job)
    for _ in range(TRIES):
        renderer = Renderer(job)
        if asking in wait(
            [renderer.line, asking]
        ):  # no next question comes before this answer: the end
            renderer.stop()
            return None
        outcome = renderer.outcome()
        if outcome is not None:
            return outcome
    return lost(job)


if __name__ == "__main__":
    serve()
    sys.exit(0)
