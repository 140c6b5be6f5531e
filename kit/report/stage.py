"""Replacing a whole folder at once: the reader sees the old report or the new one, never half of one."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path


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
        had_one = target.exists()
        if had_one:
            target.rename(retired)
        try:
            stage.rename(target)
        except OSError:
            if had_one:
                retired.rename(target)
            raise
    finally:
        shutil.rmtree(stage, ignore_errors=True)
        shutil.rmtree(retired, ignore_errors=True)
