"""Rendering on a Dask cluster whose workers see the same folders as this machine.

A worker runs many threads and cannot be forked. Each therefore keeps processes of its own that have everything loaded
and fork a renderer for each study, as on one machine. If a worker is lost the scheduler gives its studies to another.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict
from queue import Empty, SimpleQueue
from typing import Any

from kit.errors import RenderError
from kit.report.batch import Job, Outcome, lost

PATIENCE = 10  # s, for the scheduler to answer
_IDLE: SimpleQueue[subprocess.Popen[str]] = SimpleQueue()
"""Renderers of this worker that wait for a study."""


def connect(scheduler: str) -> Any:  # noqa: ANN401 - untyped library
    """Reach a scheduler.

    Parameters
    ----------
    scheduler : str
        Such as ``tcp://192.0.2.7:8786``.

    Returns
    -------
    distributed.Client

    Raises
    ------
    RenderError
        If Dask is not installed, or nobody answers.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise RenderError(
            "a cluster needs Dask, which is not installed: pip install 'testprint-kit[cluster]'. Nothing was done."
        ) from error
    try:
        return Client(scheduler, timeout=PATIENCE, set_as_default=False)
    except (TimeoutError, OSError, ValueError) as error:
        raise RenderError(
            f"no scheduler answers at {scheduler} ({error}); nothing was done. Is it running, and is the address its "
            "own, such as tcp://192.0.2.7:8786? Without --scheduler this machine does the work."
        ) from error


def render_on_cluster(jobs: Sequence[Job], scheduler: str) -> Iterator[Outcome]:
    """Render studies on the workers of a cluster.

    Parameters
    ----------
    jobs : sequence of Job
        Their folders must be there under the same names for every worker.
    scheduler : str
        Its address.

    Yields
    ------
    Outcome
        As they come.

    Raises
    ------
    RenderError
        If no scheduler answers, or it has no workers.
    """
    from distributed import as_completed

    with connect(scheduler) as client:
        _need_workers(client, scheduler)
        futures = {
            client.submit(render_on_worker, asdict(job), pure=False, retries=2): job for job in jobs
        }
        for future in as_completed(list(futures), loop=client.loop):
            try:
                yield Outcome(**future.result())
            except Exception:  # noqa: BLE001 - the scheduler gave up: worker after worker was lost over it
                yield lost(futures[future])


def _need_workers(client: Any, scheduler: str) -> None:  # noqa: ANN401
    try:
        client.wait_for_workers(1, timeout=PATIENCE)
    except (TimeoutError, OSError) as error:
        raise RenderError(
            f"the scheduler at {scheduler} has no workers; nothing was done."
        ) from error


def render_on_worker(job: dict[str, Any]) -> dict[str, Any]:
    """Render one study on a worker, in a process that is kept for the next.

    Parameters
    ----------
    job : dict
        A `Job` as plain values.

    Returns
    -------
    dict
        An `Outcome` as plain values.

    Raises
    ------
    ChildProcessError
        If the process died; the scheduler then tries again.
    """
    try:
        renderer = _IDLE.get_nowait()
    except Empty:
        renderer = _new_renderer()
    answer = ""
    with suppress(OSError):
        assert renderer.stdin is not None
        assert renderer.stdout is not None
        renderer.stdin.write(json.dumps(job) + "\n")
        renderer.stdin.flush()
        answer = renderer.stdout.readline()
    if not answer:
        renderer.kill()
        renderer.wait()
        raise ChildProcessError("the renderer of this worker ended")
    _IDLE.put(renderer)
    return dict(json.loads(answer))


def _new_renderer() -> subprocess.Popen[str]:
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.Popen(
        [sys.executable, "-m", "kit.report.renderer"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        env=environment,
    )
