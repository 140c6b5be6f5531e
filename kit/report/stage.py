"""Replacing a whole folder at once: the reader sees the old report or the new one, never half of one."""

from __future__ import annotations

import ctypes
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path
from typing import Any

_HERE = -100  # AT_FDCWD
_EXCHANGE = 2  # RENAME_EXCHANGE


def replace_folder(target: Path, fill: Callable[[Path], None], *, keep: Iterable[str] = ()) -> None:
    """Fill a new folder beside the old one and swap the two.

    Parameters
    ----------
    target : Path
        The folder to replace; its parent must exist.
    fill : callable
        Writes everything into the folder it is given. If it raises, ``target`` stays as it was.
    keep : iterable of str
        Sub-folders of the old folder that the new one keeps.

    Raises
    ------
    OSError
        If the swap fails; the old folder is put back.
    """
    stage = Path(tempfile.mkdtemp(prefix=f".{target.name}-new-", dir=target.parent))
    retired = stage.with_name(stage.name.replace("-new-", "-old-"))
    try:
        fill(stage)
        for name in keep:
            if (target / name).is_dir() and not (stage / name).exists():
                shutil.copytree(target / name, stage / name)
        stage.chmod(0o755)  # mkdtemp made it private; a report is there to be read
        if not target.exists():
            stage.rename(target)
        elif not _exchange(stage, target):
            _swap_in_steps(stage, target, retired)
    finally:
        shutil.rmtree(stage, ignore_errors=True)
        shutil.rmtree(retired, ignore_errors=True)


def clear_up(target: Path) -> None:
    """Remove what a killed process left beside a folder; call it only while no other process is at it.

    Parameters
    ----------
    target : Path
        As for `replace_folder`. If it is missing because the process died between two steps, the old folder is put
        back.
    """
    for retired in sorted(target.parent.glob(f".{target.name}-old-*")):
        if not target.exists():
            retired.rename(target)
    for left in target.parent.glob(f".{target.name}-[no][el][wd]-*"):
        shutil.rmtree(left, ignore_errors=True)


def _swap_in_steps(stage: Path, target: Path, retired: Path) -> None:
    target.rename(retired)
    try:
        stage.rename(target)
    except OSError:
        retired.rename(target)
        raise


def _exchange(one: Path, other: Path) -> bool:
    """Let two folders change names in one step, so that even a killed process leaves one whole under each name.

    Returns
    -------
    bool
        False where the system or this file system cannot do that; nothing was changed then.
    """
    call = _renameat2()
    if call is None:
        return False
    done: int = call(_HERE, os.fsencode(one), _HERE, os.fsencode(other), _EXCHANGE)
    return done == 0


@cache
def _renameat2() -> Any | None:  # noqa: ANN401 - a function of the C library
    if not sys.platform.startswith("linux"):
        return None
    call = getattr(ctypes.CDLL(None), "renameat2", None)
    if call is not None:
        call.argtypes = [
            ctypes.c_int,
            ctypes.c_char_p,
            ctypes.c_int,
            ctypes.c_char_p,
            ctypes.c_uint,
        ]
    return call
