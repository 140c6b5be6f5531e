"""What was published where: kept in the study folder, without secrets, so that the next time nobody's words are lost."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from kit.errors import PublishError
from kit.report.wiki.escape import normal_text
from kit.study.folder import write_whole

FOLDER = "published"


@dataclass(frozen=True)
class Record:
    """The last publication to one target.

    Attributes
    ----------
    target, address, wiki, page, revision : str
        Where: the target's name, the wiki's address, engine and version, page and its revision.
    text : str
        SHA-256 of the page's normalised text.
    files : mapping of file name to SHA-256
    digest : str
        Of the study's inputs.
    kit : str
        Version.
    history : tuple of (date, version, what)
        As it stands on the page.
    """

    target: str
    address: str
    wiki: str
    page: str
    revision: str
    text: str
    digest: str
    kit: str
    files: dict[str, str] = field(default_factory=dict)
    history: tuple[tuple[str, str, str], ...] = ()


def text_hash(text: str) -> str:
    """Give the SHA-256 of a page's text as the wiki stores it."""
    return sha256(normal_text(text).encode()).hexdigest()


def read_record(study: Path, target: str, address: str) -> tuple[Record | None, str]:
    """Read what was published last.

    Parameters
    ----------
    study : Path
        The study folder.
    target : str
        The target's name.
    address : str
        The wiki's address: a record of another wiki that had the same name does not count.

    Returns
    -------
    record : Record or None
        None when nothing was.
    text : str
        The page's text as it was sent; empty when unknown.

    Raises
    ------
    PublishError
        If the record is damaged.
    """
    path = _path(study, target)
    if not path.is_file():
        return None, ""
    try:
        stored: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        stored["history"] = tuple(tuple(map(str, row)) for row in stored["history"])
        record = Record(**stored)
    except (ValueError, TypeError, KeyError):
        raise PublishError(
            f"{FOLDER}/{path.name} is damaged; nothing was sent. Move it away: the next publication then treats the page as "
            "somebody else's and asks first."
        ) from None
    if record.address != address:
        return None, ""
    page = path.with_suffix(".page.txt")
    return record, page.read_text(encoding="utf-8") if page.is_file() else ""


def write_record(study: Path, record: Record, text: str) -> None:
    """Write what was published."""
    path = _path(study, record.target)
    path.parent.mkdir(exist_ok=True)
    write_whole(path.with_suffix(".page.txt"), text + "\n")
    write_whole(path, json.dumps(asdict(record), indent=1, ensure_ascii=False) + "\n")


def _path(study: Path, target: str) -> Path:
    return study / FOLDER / f"{target}.json"
