"""From a data package back to a study folder, checked byte by byte."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path, PurePosixPath
from typing import Any

from kit.errors import PublishError
from kit.report.package.build import DESCRIPTOR, STUDY_PLACE
from kit.study.folder import STUDY_FILE

LARGEST = 500_000_000
"""Bytes that a package may unpack to; a study has a few millions."""

Reader = Callable[[str], bytes]


def open_package(package: str | Path, folder: str | Path) -> Path:
    """Turn a data package back into a study folder.

    Parameters
    ----------
    package : str or Path
        A zip file or an unpacked package.
    folder : str or Path
        Where to put the study; new or empty.

    Returns
    -------
    Path
        The study folder. `kit.render_report` gives the same ``results.json`` from it.

    Raises
    ------
    PublishError
        If it is no such package, a file was changed, or the folder holds something.
    """
    package, folder = Path(package), Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise PublishError(f"{folder.name} holds something already; name a new folder.")
    if not package.exists():
        raise PublishError(f"there is no {package.name}.")
    if package.is_dir():
        files = _checked(lambda name: _from_folder(package, name))
    else:
        try:
            with zipfile.ZipFile(package) as archive:
                files = _checked(lambda name: _from_zip(archive, name))
        except zipfile.BadZipFile:
            raise PublishError(
                f"{package.name} is no zip file, or it is damaged; nothing was written."
            ) from None
    for name, data in files.items():
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
    return folder


def _checked(read: Reader) -> dict[str, bytes]:
    """Give the study's files after every file of the package was compared with its hash."""
    resources = _resources(read)
    problems, files, total = [], {}, 0
    for resource in resources:
        path = str(resource.get("path", ""))
        name = PurePosixPath(path)
        if name.is_absolute() or ".." in name.parts or "\\" in path or ":" in path:
            raise PublishError(f"the package points outside itself ({path}); nothing was written.")
        total += int(resource.get("bytes", 0))
        if total > LARGEST:
            raise PublishError("the package is far larger than any study; nothing was written.")
        try:
            data = read(path)
        except (KeyError, OSError):
            problems.append(f"{path}: missing")
            continue
        if f"sha256:{sha256(data).hexdigest()}" != resource.get("hash"):
            problems.append(f"{path}: changed since it was packed")
        elif path.startswith(STUDY_PLACE):
            files[path.removeprefix(STUDY_PLACE)] = data
    if problems:
        raise PublishError(
            "The package is not whole; nothing was written.\n  " + "\n  ".join(problems)
        )
    if STUDY_FILE not in files:
        raise PublishError("the package holds no study; nothing was written.")
    return files


def _resources(read: Reader) -> list[dict[str, Any]]:
    try:
        resources = json.loads(read(DESCRIPTOR).decode("utf-8"))["resources"]
        assert isinstance(resources, list)
        assert all(isinstance(r, dict) for r in resources)
    except (KeyError, OSError, ValueError, TypeError, AssertionError):
        raise PublishError(
            f"this is no data package: {DESCRIPTOR} is missing or cannot be read."
        ) from None
    return resources


def _from_zip(archive: zipfile.ZipFile, name: str) -> bytes:
    entry = archive.getinfo(name)
    if entry.file_size > LARGEST:
        raise PublishError("the package is far larger than any study; nothing was written.")
    return archive.read(entry)


def _from_folder(folder: Path, name: str) -> bytes:
    path = (folder / name).resolve()
    if not path.is_relative_to(folder.resolve()):
        raise PublishError(f"the package points outside itself ({name}); nothing was written.")
    return path.read_bytes()
