"""Copying a demo study to where the user can look at it and change it."""

from __future__ import annotations

import shutil
from pathlib import Path

from kit.errors import RenderError
from kit.study.resources import resource_folder


def copy_demo(name: str, folder: Path) -> Path:
    """Copy a demo study; what somebody changed in an earlier copy is never overwritten.

    Parameters
    ----------
    name : str
        Folder name in ``data/``.
    folder : Path
        Where to put it. It must be new, empty, or an untouched earlier copy of the same demo.

    Returns
    -------
    Path
        The study folder.

    Raises
    ------
    RenderError
        If the folder holds something else, or a copy that was changed.
    """
    source = resource_folder("data") / name
    if folder.exists() and not folder.is_dir():
        raise RenderError(f"{folder.name} is a file; name another folder for the demo.")
    files = [p.relative_to(source) for p in sorted(source.rglob("*")) if p.is_file()]
    if folder.exists() and any(folder.iterdir()):
        changed = [p.as_posix() for p in files if not _same(folder / p, source / p)]
        if changed:
            raise RenderError(
                f"{folder.name} is no untouched copy of this demo ({', '.join(changed)} differ or are missing); "
                "nothing was changed. Name another folder: testprint demo FOLDER"
            )
    for path in files:
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source / path, folder / path)
    return folder


def _same(one: Path, other: Path) -> bool:
    return one.is_file() and one.read_bytes() == other.read_bytes()
