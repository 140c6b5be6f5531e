"""Whether a report is still what its study, its template and this kit would make now.

A report carries one digest of everything it was made from in the head of its page; if that digest is the same today,
rendering again would give the same bytes.
"""

from __future__ import annotations

import platform
import re
from collections.abc import Iterator, Mapping
from hashlib import sha256
from importlib.metadata import version
from json import dumps
from pathlib import Path
from typing import Any

STAMP = "testprint-made-from"
LIBRARIES = (
    "testprint-kit",
    "numpy",
    "scipy",
    "pandas",
    "statsmodels",
    "pingouin",
    "matplotlib",
    "seaborn",
)
"""Whatever can change a number or a pixel."""

OUTPUTS = ("report", "sheets", "published", "notebooks")
"""Folders that the kit writes; nothing in them is an input."""

_STAMPED = re.compile(rf'<meta name="{STAMP}" content="([0-9a-f]{{64}})">')
_INPUT_ENDINGS = {".toml", ".csv", ".tsv", ".txt", ".xlsx", ".json"}


def made_from(folder: Path, template: Path, options: Mapping[str, Any]) -> str:
    """Give one digest over all that a report depends on.

    Parameters
    ----------
    folder : Path
        The study folder. Every table or text in it counts, so that no input is ever overlooked; what the kit
        itself writes does not.
    template : Path
        The notebook.
    options : mapping
        Its parameters; where one is a folder with files, those count too.

    Returns
    -------
    str
        SHA-256, hexadecimal.
    """
    total = sha256(
        dumps({"python": platform.python_version(), **{n: version(n) for n in LIBRARIES}}).encode()
    )
    total.update(dumps(dict(options), sort_keys=True, default=str).encode())
    total.update(template.read_bytes())
    others = [p for v in options.values() if isinstance(v, str) and (p := folder / v).is_dir()]
    for place in (folder, *others):
        for path in _inputs(place):
            total.update(f"\n{path.relative_to(place).as_posix()}\n".encode())
            total.update(sha256(path.read_bytes()).digest())
    return total.hexdigest()


def _inputs(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.rglob("*")):
        inside = path.relative_to(folder)
        hidden = any(part.startswith(".") for part in inside.parts)
        if hidden or inside.parts[0] in OUTPUTS or "to-fill" in path.name:
            continue
        if path.suffix.lower() in _INPUT_ENDINGS and path.is_file():
            yield path


def stamp_of(report: Path) -> str | None:
    """Give the digest that a report carries; None if there is no whole report.

    Parameters
    ----------
    report : Path
        The report's folder.

    Returns
    -------
    str or None
    """
    try:
        with (report / "index.html").open(encoding="utf-8") as page:
            found = _STAMPED.search(page.read(2000))
    except (OSError, UnicodeDecodeError):
        return None
    return found[1] if found else None
