"""The document model of a report: headings, prose, tables, figures, cautions, data links.

One model for every page format. In a notebook each block shows itself (`_repr_mimebundle_`) and also
carries itself as JSON, so that the page is built from the executed notebook and never from its HTML.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, ClassVar

BLOCK_MIME = "application/vnd.testprint.block+json"
RESULTS_MIME = "application/vnd.testprint.results+json"


@dataclass(frozen=True)
class Block:
    """Base of all blocks; ``kind`` names the class in JSON."""

    kind: ClassVar[str] = ""

    def to_json(self) -> dict[str, Any]:
        """Give plain JSON values."""
        return {"kind": self.kind, **asdict(self)}

    def _repr_mimebundle_(
        self, include: object = None, exclude: object = None
    ) -> tuple[dict[str, Any], dict[str, Any]]:
        """Show the block in a notebook, and carry it along as JSON."""
        from kit.report.html import (
            block_html,  # the writer knows the blocks, not the other way round
        )

        bundle = {"text/html": block_html(self), "text/plain": self.plain()}
        return {**bundle, BLOCK_MIME: without_pictures(self.to_json())}, {}

    def plain(self) -> str:
        """Give the block as plain text."""
        raise NotImplementedError


@dataclass(frozen=True)
class Heading(Block):
    """A heading; level 1 is the page title."""

    kind: ClassVar[str] = "heading"
    text: str
    level: int = 2

    def plain(self) -> str:
        """Give the text."""
        return self.text


@dataclass(frozen=True)
class Prose(Block):
    """Markdown text written by the kit or in a template (never by a user)."""

    kind: ClassVar[str] = "prose"
    markdown: str

    def plain(self) -> str:
        """Give the Markdown source."""
        return self.markdown


@dataclass(frozen=True)
class Sentences(Block):
    """Plain sentences, one finding each.

    ``tone``: ``plain``; ``notice`` for what the reader must know before acting; ``minor`` for small print.
    ``folded`` sentences show their title only, until somebody opens them.
    """

    kind: ClassVar[str] = "sentences"
    items: tuple[str, ...]
    tone: str = "plain"
    title: str = ""
    folded: bool = False

    def plain(self) -> str:
        """Give one sentence a line."""
        return "\n".join([*([self.title] if self.title else []), *self.items])


@dataclass(frozen=True)
class Answer(Block):
    """The answer of the page: one sentence, its status, and a few facts."""

    kind: ClassVar[str] = "answer"
    sentence: str
    status: str
    facts: tuple[tuple[str, str], ...] = ()
    reached: bool = True

    def plain(self) -> str:
        """Give the sentence and its status."""
        return f"{self.sentence}\n{self.status}"


@dataclass(frozen=True)
class Table(Block):
    """A table of ready-made text cells.

    ``numeric`` holds the numbers of the columns that are set in digits (aligned to the right).
    """

    kind: ClassVar[str] = "table"
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""
    numeric: tuple[int, ...] = ()
    folded: bool = False

    def plain(self) -> str:
        """Give the cells, tab-separated."""
        return "\n".join("\t".join(r) for r in [self.columns, *self.rows])


@dataclass(frozen=True)
class FigureBlock(Block):
    """A picture with its words; ``png`` is base64 text, as notebooks store it."""

    kind: ClassVar[str] = "figure"
    name: str
    png: str
    alt: str
    caption: str

    def plain(self) -> str:
        """Give the words for those who cannot see it."""
        return self.alt

    @property
    def data(self) -> bytes:
        """The PNG file."""
        return base64.b64decode(self.png)


@dataclass(frozen=True)
class CautionList(Block):
    """Cautions where the work can hurt someone, and what the results are not for."""

    kind: ClassVar[str] = "cautions"
    items: tuple[str, ...]
    scope: str = ""

    def plain(self) -> str:
        """Give one caution a line."""
        return "\n".join([*([self.scope] if self.scope else []), *self.items])


@dataclass(frozen=True)
class Downloads(Block):
    """Files beside the page: each its path as seen from the page, its label and a few words."""

    kind: ClassVar[str] = "downloads"
    items: tuple[tuple[str, str, str], ...]

    def plain(self) -> str:
        """Give one file a line."""
        return "\n".join(f"{label}: {note}" for _, label, note in self.items)


@dataclass(frozen=True)
class Group(Block):
    """Several blocks shown by one cell."""

    kind: ClassVar[str] = "group"
    blocks: tuple[Block, ...] = field(default_factory=tuple)

    def to_json(self) -> dict[str, Any]:
        """Give plain JSON values."""
        return {"kind": self.kind, "blocks": [b.to_json() for b in self.blocks]}

    def plain(self) -> str:
        """Give the blocks' plain texts."""
        return "\n\n".join(b.plain() for b in self.blocks)


@dataclass(frozen=True)
class Results:
    """The numbers of ``results.json``, carried by the notebook that computed them."""

    numbers: dict[str, Any]

    def _repr_mimebundle_(
        self, include: object = None, exclude: object = None
    ) -> tuple[dict[str, Any], dict[str, Any]]:
        """Show what it holds in one line and carry the numbers as JSON."""
        held = ", ".join(sorted(self.numbers))
        # As text, since notebooks are saved with their keys sorted and the order of the study would be lost.
        carried = {"text": json.dumps(self.numbers)}
        return {"text/plain": f"Numbers for results.json: {held}", RESULTS_MIME: carried}, {}


@dataclass(frozen=True)
class Document:
    """A whole page."""

    title: str
    blocks: tuple[Block, ...]


_KINDS: dict[str, Callable[..., Block]] = {
    c.kind: c
    for c in (Heading, Prose, Sentences, Answer, Table, FigureBlock, CautionList, Downloads)
}


def block_from_json(stored: dict[str, Any]) -> Block:
    """Rebuild a block from what `Block.to_json` gave.

    Returns
    -------
    Block

    Raises
    ------
    ValueError
        If the kind is unknown.
    """
    kind = stored.get("kind")
    if kind == Group.kind:
        return Group(tuple(block_from_json(b) for b in stored["blocks"]))
    if kind not in _KINDS:
        raise ValueError(f"unknown block kind {kind!r}")
    return _KINDS[kind](**{k: _tuples(v) for k, v in stored.items() if k != "kind"})


def without_pictures(stored: dict[str, Any]) -> dict[str, Any]:
    """Take the pictures' bytes out of a block's JSON: in a notebook they stand in the HTML beside it."""
    if "blocks" in stored:
        return {**stored, "blocks": [without_pictures(b) for b in stored["blocks"]]}
    return {**stored, "png": ""} if "png" in stored else stored


def with_pictures(stored: dict[str, Any], pictures: Iterator[str]) -> dict[str, Any]:
    """Put the pictures back, in the order in which the HTML shows them."""
    if "blocks" in stored:
        return {**stored, "blocks": [with_pictures(b, pictures) for b in stored["blocks"]]}
    return {**stored, "png": next(pictures)} if "png" in stored else stored


def _tuples(value: Any) -> Any:  # noqa: ANN401 - any JSON value
    return tuple(_tuples(v) for v in value) if isinstance(value, list) else value


def flatten(blocks: Sequence[Block]) -> list[Block]:
    """Open up groups."""
    flat: list[Block] = []
    for block in blocks:
        flat.extend(flatten(block.blocks) if isinstance(block, Group) else [block])
    return flat
