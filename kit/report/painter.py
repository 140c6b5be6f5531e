"""A second process that draws half of the pictures while the notebook draws the other half.

It is forked before the kernel starts its threads, knows nothing but what it is sent, and gives back finished blocks.
Where there is none, the notebook draws everything itself; the pictures are the same.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Sequence
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from threading import Thread
from typing import TypeVar

T = TypeVar("T")

_painters: list[Painter] = []
"""The painter of this process, if it has one."""


class Painter:
    """A forked process that calls what it is sent; call only in a process that may be forked."""

    def __init__(self) -> None:
        self._here, there = Pipe()
        self.pid = os.fork()
        if self.pid == 0:
            self._here.close()
            _paint(there)
        there.close()

    def call(self, task: Callable[[], T]) -> T:
        """Have a task done; anything that goes wrong there is an OSError here."""
        try:
            self._here.send(task)
            done, result = self._here.recv()
        except EOFError as error:
            raise OSError("the painter is gone") from error
        if not done:
            raise OSError("the painter could not do it")
        return result  # type: ignore[no-any-return]


def employ_painter() -> None:
    """Start a painter for this process, where there is a processor for it."""
    if len(os.sched_getaffinity(0)) > 1 and not _painters:
        _painters.append(Painter())


def do_all(tasks: Sequence[Callable[[], T]]) -> list[T]:
    """Do tasks that do not depend on each other, with the painter's help if there is one.

    Parameters
    ----------
    tasks : sequence of callables
        Each can be pickled and gives something that can be.

    Returns
    -------
    list
        Their results, in order.
    """
    if len(tasks) < 2 or not _painters:
        return [task() for task in tasks]
    waiting, results = deque(range(len(tasks))), dict[int, T]()
    helper = Thread(target=_help, args=(_painters[0], tasks, waiting, results))
    helper.start()
    while waiting:
        try:
            number = waiting.popleft()
        except IndexError:  # the painter was quicker
            break
        results[number] = tasks[number]()
    helper.join()
    # What the painter failed at is done here, so that an error is raised where it can be read.
    return [results[n] if n in results else task() for n, task in enumerate(tasks)]


def _help(
    painter: Painter, tasks: Sequence[Callable[[], T]], waiting: deque[int], results: dict[int, T]
) -> None:
    while waiting:
        try:
            number = waiting.pop()
            results[number] = painter.call(tasks[number])
        except (IndexError, OSError):
            return


def _paint(line: Connection) -> None:
    try:
        while True:
            task = line.recv()
            try:
                answer = (True, task())
            except Exception:  # noqa: BLE001 - whatever it is, the notebook will meet it and show it
                answer = (False, None)
            line.send(answer)
    except (EOFError, OSError):
        pass
    finally:
        os._exit(0)
