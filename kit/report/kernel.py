"""A notebook kernel made by forking this process, so that it need not import again what is loaded here.

The kernel is ipykernel's own and speaks its protocol over its own sockets; only the way it comes to life differs:
instead of a new interpreter that imports everything (some seconds), a copy of this process that already has it.
"""

from __future__ import annotations

import gc
import json
import os
import signal
import sys
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import TypedDict

from kit.report.painter import employ_painter

QUIET = ("--log-level=40", "--HistoryManager.enabled=False")
"""The kernel's warning about unencrypted sockets on this machine helps nobody; its history has no reader."""


class Order(TypedDict):
    """What a waiting kernel is told."""

    arguments: list[str]
    cwd: str
    env: dict[str, str]


def can_fork() -> bool:
    """Tell whether forking is safe here: on Linux, and as long as no second thread may hold a lock."""
    return sys.platform == "linux" and threading.active_count() == 1


class ForkedKernel:
    """A kernel process that waits for its connection file; looks like `subprocess.Popen` to its manager.

    Parameters
    ----------
    preload : callable
        Called in the new process at once, while this one goes on: imports what the notebook will need.
    painter : bool
        Whether the kernel may have a second process draw half of the pictures.

    Raises
    ------
    RuntimeError
        If forking is not safe here; ask `can_fork` before.
    """

    stdin = stdout = stderr = None

    def __init__(self, preload: Callable[[], None], *, painter: bool = False) -> None:
        if not can_fork():
            raise RuntimeError("a process with several threads must not be forked")
        for stream in (sys.stdout, sys.stderr):  # else both copies would print what is buffered
            with suppress(OSError, ValueError):
                stream.flush()
        gc.freeze()  # keeps the collector from touching, and so copying, the memory that both share
        read_end, self._write_end = os.pipe()
        self.args: list[str] = []
        self.returncode: int | None = None
        self.pid = os.fork()
        if self.pid == 0:
            os.close(self._write_end)
            _live(read_end, preload, painter)
        os.close(read_end)
        gc.unfreeze()

    def start(self, command: list[str], *, cwd: str, env: Mapping[str, str] | None) -> None:
        """Let the kernel go.

        Parameters
        ----------
        command : list of str
            As the kernel's specification has it: interpreter, ``-m``, module, arguments.
        cwd : str
            Its working folder.
        env : mapping or None
            Its environment.

        Raises
        ------
        RuntimeError
            If the process is gone.
        """
        if self.poll() is not None:
            raise RuntimeError("the waiting kernel is gone")
        self.args = command
        order: Order = {
            "arguments": command[command.index("-f") :],
            "cwd": cwd,
            "env": dict(env or {}),
        }
        with os.fdopen(self._write_end, "w", encoding="utf-8") as pipe:
            json.dump(order, pipe)
        self._write_end = -1

    def poll(self) -> int | None:
        """Give the exit code, None while it runs."""
        if self.returncode is None:
            try:
                pid, status = os.waitpid(self.pid, os.WNOHANG)
            except ChildProcessError:
                pid, status = self.pid, 0
            if pid:
                self.returncode = os.waitstatus_to_exitcode(status)
        return self.returncode

    def wait(self) -> int:
        """Wait until it ends."""
        if self.returncode is None:
            try:
                self.returncode = os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])
            except ChildProcessError:
                self.returncode = 0
        return self.returncode

    def send_signal(self, number: int) -> None:
        """Send a signal, unless it has ended."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        """End it at once."""
        self.send_signal(signal.SIGKILL)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)

    def close(self) -> None:
        """End it, whether it was started or not, and leave no process behind."""
        if self._write_end >= 0:
            os.close(self._write_end)
            self._write_end = -1
        self.kill()
        self.wait()


def _live(pipe: int, preload: Callable[[], None], painter: bool) -> None:
    """Be the kernel: load, wait for the order, run until told to stop; never returns."""
    code = 1
    try:
        os.setsid()  # an interrupt at the terminal reaches the command, which then ends the kernel
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.dup2(2, 1)
        preload()
        gc.freeze()  # and what a notebook makes is soon gone with the process
        gc.set_threshold(100_000, 20, 100)
        if painter:
            employ_painter()
        with os.fdopen(pipe, encoding="utf-8") as stream:
            text = stream.read()
        if text:  # empty: the other side is gone
            _run_kernel(json.loads(text))
        code = 0
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 0
    finally:
        # No clean-up of what belongs to the process that was copied.
        os._exit(code)


def _run_kernel(order: Order) -> None:
    from ipykernel.kernelapp import IPKernelApp

    arguments = order["arguments"]
    os.environ.update(order["env"])
    os.chdir(order["cwd"])
    if sys.path and Path(sys.path[0] or ".").resolve() == Path(sys.argv[0]).resolve().parent:
        del sys.path[0]  # the folder of the command; a notebook does not import from there
    sys.argv = ["ipykernel_launcher.py", *arguments]
    # Knowing its parent, the kernel ends when the command is killed.
    IPKernelApp.launch_instance(argv=arguments, parent_handle=os.getppid())
