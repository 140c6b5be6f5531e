"""What every wiki engine offers to the publisher."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, Protocol

from kit.report.wiki.page import Attachment, WikiPage
from kit.report.wiki.writer import Writer

FileState = Literal["new", "same", "changed"]


@dataclass(frozen=True)
class Abilities:
    """What the wiki said before anything was written.

    Attributes
    ----------
    wiki : str
        Engine and version.
    page, remarks : str
        Names of the page and of the page for remarks, as the wiki writes them.
    tags : frozenset of str
        Extension tags that really work there.
    file_types : tuple of str or None
        None = all.
    max_page, max_file : int or None
        Bytes.
    """

    wiki: str
    page: str
    remarks: str
    tags: frozenset[str] = frozenset()
    file_types: tuple[str, ...] | None = None
    max_page: int | None = None
    max_file: int | None = None


@dataclass(frozen=True)
class Remote:
    """A page as it stands on the wiki now."""

    text: str
    revision: str
    author: str
    summary: str


class Wiki(Protocol):
    """One wiki, logged in."""

    def check(self, page: str) -> Abilities:
        """Ask everything that can be asked before writing; refuse where it cannot work."""

    def writer(self, page: WikiPage, abilities: Abilities) -> Writer:
        """Give the writer for this wiki's markup."""

    def read(self, page: str) -> Remote | None:
        """Read a page; None when there is none."""

    def own(self, author: str) -> bool:
        """Whether an author's name is the publishing account's."""

    def states(self, files: Mapping[str, Attachment]) -> dict[str, FileState]:
        """Say of each file whether the wiki has it."""

    def upload(self, name: str, file: Attachment) -> None:
        """Store a file and make sure that it arrived whole."""

    def start_remarks(self, page: str, text: str) -> None:
        """Create the page for remarks if there is none; never touch it otherwise."""

    def write(self, page: str, text: str, base: Remote | None, summary: str) -> None:
        """Write the page, if it still is what was read."""

    def html(self, page: str) -> str:
        """Give the page as readers see it."""

    def picture_problem(self, source: str) -> str:
        """Fetch a picture as readers do; empty when it is one."""


def plan_states(
    files: Mapping[str, Attachment], stored: Mapping[str, str], hashes: Mapping[str, str]
) -> dict[str, FileState]:
    """Compare files with what the wiki stores, by hash."""
    states: dict[str, FileState] = {}
    for name in files:
        if name not in stored:
            states[name] = "new"
        else:
            states[name] = "same" if stored[name] == hashes[name] else "changed"
    return states
