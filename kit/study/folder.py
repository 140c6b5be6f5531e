"""The files of a study folder: their names, reading their bytes, and saving whole or not at all."""

from __future__ import annotations

import os
import shutil
from hashlib import sha256
from pathlib import Path
from uuid import uuid4

import pandas as pd

from kit.errors import DesignError, Problem
from kit.study.tables import read_table, table_text

STUDY_FILE = "study.toml"
RUNS_FILE = "runs.csv"
READINGS_FILE = "readings.csv"
READINGS_WORKBOOK = "readings.xlsx"
TO_FILL_FILE = "readings-to-fill.csv"
EARLIER_PLAN_FILE = "runs-earlier-plan.csv"
REPORT_FOLDER = "report"
RESULTS_FILE = "results.json"
PAGE_FILE = "index.html"
INPUT_FILES = (STUDY_FILE, RUNS_FILE, READINGS_FILE)
"""What a report is made from; their digests are its provenance."""


def digest(data: bytes) -> str:
    """Give the SHA-256 of a file's bytes, in hexadecimal."""
    return sha256(data).hexdigest()


def read_bytes(folder: Path, name: str) -> tuple[bytes | None, Problem | None]:
    """Read a file of a study.

    Parameters
    ----------
    folder : Path
        The study folder.
    name : str
        File name in it.

    Returns
    -------
    data : bytes or None
        None when there is no such file, or it cannot be opened.
    problem : Problem or None
        Why a file that is there cannot be opened.
    """
    path = folder / name
    try:
        return path.read_bytes(), None
    except (FileNotFoundError, NotADirectoryError):
        return None, None
    except OSError as error:
        reason = (error.strerror or type(error).__name__).lower()
        return None, Problem(
            name,
            0,
            "",
            f"cannot be opened ({reason}); close other programs and check its permissions.",
        )


def write_whole(path: Path, data: bytes | str) -> None:
    """Write a file whole or not at all.

    A temporary file in the same folder is filled, flushed to the disk and put in place in one step; on any
    failure the old file stays as it was and nothing is left behind.

    Parameters
    ----------
    path : Path
        In an existing folder.
    data : bytes or str
        Text is written as UTF-8, line ends as they are.

    Raises
    ------
    OSError
        If the disk or the permissions refuse.
    """
    staged = _stage(path, data)
    try:
        os.replace(staged, _real(path))  # noqa: PTH105 - one atomic step on every system
    finally:
        staged.unlink(missing_ok=True)
    _flush_folder(path.parent)


def save_plan(folder: Path, runs: pd.DataFrame, readings_to_fill: pd.DataFrame) -> None:
    """Save a plan: ``runs.csv`` and ``readings-to-fill.csv``, both or neither.

    An earlier plan that nobody has printed from is replaced; where its text differs it is kept as
    ``runs-earlier-plan.csv``.

    Parameters
    ----------
    folder : Path
        The study folder.
    runs : DataFrame
        The new plan.
    readings_to_fill : DataFrame
        One row a reading to be taken, in measuring order.

    Raises
    ------
    DesignError
        If a run of the plan in the folder is printed or failed, if readings were filled in, or if the old
        files cannot be read, so that nobody knows. Nothing is changed then.
    OSError
        If the disk or the permissions refuse; both files are then as they were.
    """
    folder = Path(folder)
    old = _refuse_to_lose(folder)
    new = table_text(runs).encode()
    if old is not None and old != new:
        write_whole(folder / EARLIER_PLAN_FILE, old)
    _write_both(
        {folder / RUNS_FILE: new, folder / TO_FILL_FILE: table_text(readings_to_fill).encode()}
    )


def _refuse_to_lose(folder: Path) -> bytes | None:
    """Give the bytes of the plan that may be replaced, or refuse."""
    old, problem = read_bytes(folder, RUNS_FILE)
    if problem is not None:
        raise DesignError(f"{problem} Nothing was changed.")
    if old is not None and old.strip():
        status = _column(old, RUNS_FILE, "status")
        run = _column(old, RUNS_FILE, "run")
        if status is None or run is None:
            raise DesignError(
                f"{RUNS_FILE} cannot be read, so nobody knows whether a run was printed; nothing was changed. "
                "Repair it (`testprint check` lists what is wrong) or move it away."
            )
        done = [r for r, s in zip(run, status, strict=True) if s.casefold() not in ("", "planned")]
        if done:
            names = (
                f"run {done[0]} is"
                if len(done) == 1
                else f"runs {', '.join(done[:8])}{' ...' if len(done) > 8 else ''} are"
            )
            raise DesignError(
                f"{RUNS_FILE} is in use: {names} printed or failed. A plan in use is never overwritten; nothing "
                "was changed. Use a new folder for a new plan."
            )
    for name in (READINGS_FILE, TO_FILL_FILE, READINGS_WORKBOOK):
        data, problem = read_bytes(folder, name)
        values = None if data is None else _column(data, name, "value")
        if problem is not None or (data and data.strip() and values is None):
            raise DesignError(
                f"{name} cannot be read, so nobody knows whether it holds readings; nothing was changed. Move it away."
            )
        if any(values or ()):
            raise DesignError(
                f"{name} holds readings already; a new plan would not fit them. Nothing was changed. "
                "Mark the runs that are printed, or use a new folder for a new plan."
            )
    return old


def _column(data: bytes, name: str, column: str) -> list[str] | None:
    table, _ = read_table(data, name, required=(column,))
    return table.columns.get(column) if table is not None else None


def _write_both(files: dict[Path, bytes]) -> None:
    """Put several files in place; if one fails, bring those before it back."""
    before = {path: path.read_bytes() if path.exists() else None for path in files}
    staged: dict[Path, Path] = {}
    placed: list[Path] = []
    try:
        for path, data in files.items():
            staged[path] = _stage(path, data)
        for path, temporary in staged.items():
            os.replace(temporary, _real(path))  # noqa: PTH105
            placed.append(path)
    except BaseException:
        for path in placed:
            _restore(path, before[path])
        raise
    finally:
        for temporary in staged.values():
            temporary.unlink(missing_ok=True)
    for folder in {path.parent for path in files}:
        _flush_folder(folder)


def _restore(path: Path, data: bytes | None) -> None:
    if data is None:
        path.unlink(missing_ok=True)
    else:
        write_whole(path, data)


def _real(path: Path) -> Path:
    """Follow a link, so that the file it points to is replaced and not the link."""
    return path.resolve() if path.is_symlink() else path


def _stage(path: Path, data: bytes | str) -> Path:
    """Write the data beside the file it will become, flushed to the disk."""
    content = data.encode() if isinstance(data, str) else data
    target = _real(path)
    temporary = target.with_name(f".{target.name}.{uuid4().hex}.tmp")
    try:
        with temporary.open("xb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        if target.exists():
            shutil.copymode(target, temporary)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return temporary


def _flush_folder(folder: Path) -> None:
    """Make the new name last through a power cut, where the system can do that."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError:  # some network folders refuse; the file itself is flushed
        pass
    finally:
        os.close(handle)
