"""What publishing would do: decided from the page as it stands, the record of last time and the new text."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, field
from typing import Literal

from kit.report.publish.record import Record, text_hash
from kit.report.publish.wiki import FileState, Remote
from kit.report.wiki.escape import normal_text

Outcome = Literal["create", "update", "unchanged", "conflict"]


@dataclass(frozen=True)
class Plan:
    """What publishing would do.

    Attributes
    ----------
    outcome : {"create", "update", "unchanged", "conflict"}
    reason : str
        Why, in a sentence.
    wiki, page : str
        Where.
    text : str
        The new page, normalised.
    diff : str
        From the page as it stands to the new one; for a conflict what somebody else changed.
    files : mapping of name to state
    notices : tuple of str
        What does not stop the publication but should be known.
    sent : bool
        Whether it was done.
    """

    outcome: Outcome
    reason: str
    wiki: str
    page: str
    text: str = field(repr=False, default="")
    diff: str = field(repr=False, default="")
    files: dict[str, FileState] = field(default_factory=dict)
    notices: tuple[str, ...] = ()
    sent: bool = False

    def __str__(self) -> str:
        """Give it as the command prints it."""
        lines = [f"{self.page} on {self.wiki}: {self.reason}"]
        for state, word in (
            ("new", "to upload"),
            ("changed", "to replace"),
            ("same", "already there"),
        ):
            names = [n for n, s in self.files.items() if s == state]
            if names and not self.sent:
                lines.append(f"files {word}: {len(names)}")
                lines += [f"  {n}" for n in names if state != "same"]
        lines += [f"note: {n}" for n in self.notices]
        return "\n".join(lines + ([self.diff] if self.diff and not self.sent else []))


def decide(
    text: str,
    remote: Remote | None,
    record: Record | None,
    *,
    own: bool,
    mark: str,
    last_sent: str = "",
) -> tuple[Outcome, str, str]:
    """Decide what to do with a page.

    Parameters
    ----------
    text : str
        The new page.
    remote : Remote or None
        The page as it stands.
    record : Record or None
        The last publication from this study folder.
    own : bool
        Whether the last revision is by the publishing account.
    mark : str
        What the kit writes into the summary of a revision, but for its text's hash: the study's own sign.
    last_sent : str
        The page as it was sent last.

    Returns
    -------
    outcome, reason, diff : str
        Overwriting is allowed only where the page is what this study's publisher wrote.
    """
    if remote is None:
        gone = " (it was published before and somebody deleted it since)" if record else ""
        return ("conflict" if record else "create"), f"the page does not exist{gone}", ""
    now = text_hash(remote.text)
    if now == text_hash(text):
        return "unchanged", "the page already says all this", ""
    ours = record is not None and now == record.text
    # Another copy of the study folder published it: the last revision says so and nobody touched its text.
    marked = own and summary_of(mark, remote.text) == remote.summary
    if ours or marked:
        return (
            "update",
            "the page is as the publisher left it",
            page_diff(remote.text, text, "the page now", "new"),
        )
    if record is None:
        why = "a page of this name exists, and this study folder has not published it"
        return "conflict", why, page_diff(remote.text, text, "the page now", "new")
    why = f"somebody changed the page since it was published (last change by {remote.author or 'unknown'})"
    return (
        "conflict",
        why,
        page_diff(last_sent or text, remote.text, "as published", "the page now"),
    )


def summary_of(mark: str, text: str) -> str:
    """Give the edit summary: it carries the hash of the text, so that a later run knows its own work."""
    return f"{mark} {text_hash(text)[:12]}"


def page_diff(old: str, new: str, old_name: str, new_name: str) -> str:
    """Give the difference of two pages, line by line."""
    lines = difflib.unified_diff(
        normal_text(old).split("\n"),
        normal_text(new).split("\n"),
        old_name,
        new_name,
        lineterm="",
        n=1,
    )
    return "\n".join(lines)
