"""One writer a study: a second process waits until the first is done, and a dead one never stands in the way."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from kit.errors import RenderError

LOCK_FILE = ".report.lock"
PATIENCE = 900.0  # s
_PAUSE = 0.05  # s


@contextmanager
def only_writer(
    folder: Path, *, say: Callable[[str], None] = lambda text: None, patience: float = PATIENCE
) -> Iterator[None]:
    """Hold a study for as long as the block runs.

    The lock belongs to the open file and not to its being there: the system gives it back when the process ends,
    however it ends.

    Parameters
    ----------
    folder : Path
        The study folder.
    say : callable
        Told once, in a sentence, when somebody else holds it.
    patience : float
        Seconds to wait for them.

    Yields
    ------
    None

    Raises
    ------
    RenderError
        If they are not done by then.
    OSError
        If the folder cannot be written.
    """
    path = folder / LOCK_FILE
    until = time.monotonic() + patience
    told = False
    while (handle := _try(path)) is None:
        holder = _holder(path)
        if not told:
            say(f"{folder.name}: another process{holder} is writing this report; waiting for it.")
            told = True
        if time.monotonic() > until:
            raise RenderError(
                f"another process{holder} has been writing this report for {patience:.0f} s; nothing was changed. "
                "Wait for it or end it, then try again."
            )
        time.sleep(_PAUSE)
    try:
        yield
    finally:
        with suppress(OSError):
            path.unlink()  # still held, so nobody else can be holding this very file
        os.close(handle)


def _try(path: Path) -> int | None:
    """Open the lock file and take it; None while somebody else has it."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    if _take(handle) and _is_still(path, handle):
        with suppress(OSError):  # a full disk: nobody will be told the number
            os.ftruncate(handle, 0)
            os.write(handle, str(os.getpid()).encode())
        return handle
    os.close(handle)
    return None


def _is_still(path: Path, handle: int) -> bool:
    """Tell whether the file taken is the one that lies there: its holder removes it when done."""
    try:
        return os.path.samestat(path.stat(), os.fstat(handle))
    except FileNotFoundError:
        return False


def _take(handle: int) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    return True


def _holder(path: Path) -> str:
    with suppress(OSError, UnicodeDecodeError):
        number = path.read_text(encoding="ascii").strip()
        if number.isdigit():
            return f" (number {number})"
    return ""
