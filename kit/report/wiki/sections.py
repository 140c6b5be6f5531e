"""The finished report's blocks sorted into the sections of a wiki page; nothing gets lost on the way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from kit.report.document import (
    Answer,
    Block,
    CautionList,
    Document,
    FigureBlock,
    Heading,
    Prose,
    Sentences,
    Table,
)

METHOD_HEADINGS = ("How it was done", "Data and provenance")
FAILED_TITLE = "What failed"
REQUIRED_COLUMN = "Required"


@dataclass
class Sorted:
    """A report's blocks, by the section of the wiki page that they belong to."""

    answer: Answer | None = None
    question: list[Block] = field(default_factory=list)
    before: list[Block] = field(default_factory=list)
    requirements: list[Block] = field(default_factory=list)
    results: list[Block] = field(default_factory=list)
    figures: list[Block] = field(default_factory=list)
    failed: list[Block] = field(default_factory=list)
    cautions: list[Block] = field(default_factory=list)
    method: list[Block] = field(default_factory=list)


def sort_blocks(document: Document) -> Sorted:
    """Sort a report's blocks.

    Parameters
    ----------
    document : Document
        The report's page.

    Returns
    -------
    Sorted
        Pictures go to the figures with the words that explain them, tables and sentences to the results;
        headings follow them one level deeper.
    """
    found = Sorted()
    for i, (heading, blocks) in enumerate(_sections(document.blocks)):
        if heading is None:
            _sort_lead(blocks, found)
        elif heading.text in METHOD_HEADINGS:
            found.method += [replace(heading, level=3), *_taken_out(blocks, found)]
        else:
            _sort_section(heading, _taken_out(blocks, found), found, first=i == 1)
    return found


def _sections(blocks: Sequence[Block]) -> list[tuple[Heading | None, list[Block]]]:
    sections: list[tuple[Heading | None, list[Block]]] = [(None, [])]
    for block in blocks:
        if isinstance(block, Heading) and block.level <= 2:
            sections.append((block, []))
        else:
            sections[-1][1].append(block)
    return sections


def _sort_lead(blocks: list[Block], found: Sorted) -> None:
    for block in _taken_out(blocks, found):
        if isinstance(block, Answer):
            found.answer = block
        elif isinstance(block, FigureBlock):
            found.figures.append(block)
        elif isinstance(block, Sentences) and block.tone == "minor":
            found.question.append(block)
        else:
            found.before.append(block)


def _taken_out(blocks: list[Block], found: Sorted) -> list[Block]:
    """Take out what has a section of its own wherever it stands."""
    rest = []
    for block in blocks:
        if isinstance(block, CautionList):
            found.cautions.append(block)
        elif isinstance(block, Sentences) and block.title == FAILED_TITLE:
            found.failed.append(replace(block, title=""))
        else:
            rest.append(block)
    return rest


def _sort_section(heading: Heading, blocks: list[Block], found: Sorted, *, first: bool) -> None:
    pictured = any(isinstance(b, FigureBlock) for b in blocks)
    numbers: list[Block] = []
    pictures: list[Block] = []
    for block in blocks:
        if isinstance(block, Heading):
            numbers.append(replace(block, level=block.level + 1))
            pictures.append(replace(block, level=block.level + 1))
        elif first and isinstance(block, Table) and REQUIRED_COLUMN in block.columns:
            found.requirements.append(block)
        elif isinstance(block, FigureBlock) or (pictured and isinstance(block, Prose)):
            pictures.append(block)
        else:
            numbers.append(block)
    lead = replace(heading, level=3)
    found.results += _with_content([lead, *numbers])
    found.figures += _with_content([lead, *pictures])


def _with_content(blocks: list[Block]) -> list[Block]:
    """Drop headings under which nothing stands."""
    kept: list[Block] = []
    for i, block in enumerate(blocks):
        if isinstance(block, Heading):
            below = next((b for b in blocks[i + 1 :] if not _deeper(b, block)), None)
            if below is None or isinstance(below, Heading):
                continue
        kept.append(block)
    return kept


def _deeper(block: Block, heading: Heading) -> bool:
    return isinstance(block, Heading) and block.level > heading.level
