"""A second process that draws some of the pictures while the notebook draws the others.

It is forked before the kernel starts its threads, knows nothing but what it is sent, and gives back finished blocks.
Where there is none, the notebook draws everything itself; the pictures are the same.
"""

from __future__ import annotations

import os
import pickle
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from typing import Any, TypeVar

T = TypeVar("T")

_painters: list[Painter] = []
"""The painter of this process, if it has one."""


class Painter:
    """A forked process that calls what it is sent; make one only in a process that may be forked."""

    def __init__(self) -> None:
        self._here, there = Pipe()
        self.pid = os.fork()
        if self.pid == 0:
            self._here.close()
            _paint(there)
        there.close()
        self._queue = ThreadPoolExecutor(1)  # its one thread talks to the painter
        self._ordered: dict[bytes, Future[Any]] = {}

    def order(self, task: Callable[[], T]) -> Future[T]:
        """Put a task into the painter's queue, or give the order that was placed before."""
        sent = pickle.dumps(task)
        if sent not in self._ordered:
            self._ordered[sent] = self._queue.submit(self._call, sent)
        return self._ordered.pop(sent)

    def order_ahead(self, task: Callable[[], T]) -> None:
        """Have a task done that will be asked for later."""
        sent = pickle.dumps(task)
        self._ordered[sent] = self._queue.submit(self._call, sent)

    def has_begun(self, task: Callable[[], T]) -> bool:
        """Tell whether a task was ordered ahead and taken up."""
        order = self._ordered.get(pickle.dumps(task))
        return order is not None and (order.running() or order.done())

    def _call(self, sent: bytes) -> Any:  # noqa: ANN401 - whatever the task gives
        try:
            self._here.send_bytes(sent)
            done, result = self._here.recv()
        except EOFError as error:
            raise OSError("the painter is gone") from error
        if not done:
            raise OSError("the painter could not do it")
        return result


def employ_painter() -> None:
    """Start a painter for this process, where there is a processor for it."""
    if len(os.sched_getaffinity(0)) > 1 and not _painters:
        _painters.append(Painter())


def order_ahead(tasks: Callable[[], Iterable[Callable[[], Any]]]) -> None:
    """Let the painter, if there is one, begin what `do_all` will be asked for later.

    Parameters
    ----------
    tasks : callable
        Gives the tasks; not called when there is no painter.
    """
    if _painters:
        for task in tasks():
            _painters[0].order_ahead(task)


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
    if not _painters or (len(tasks) == 1 and not _painters[0].has_begun(tasks[0])):
        return [task() for task in tasks]
    orders = [_painters[0].order(task) for task in tasks]
    # What the painter has not begun when its turn comes here is done here.
    mine = {n: task() for n, task in enumerate(tasks) if orders[n].cancel()}
    return [
        mine[n] if n in mine else _result(order, task)
        for n, (order, task) in enumerate(zip(orders, tasks, strict=True))
    ]


def _result(order: Future[T], task: Callable[[], T]) -> T:
    """Give what the painter made; what it failed at is done here, so that an error is raised where it can be read."""
    try:
        return order.result()
    except OSError:
        return task()


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
