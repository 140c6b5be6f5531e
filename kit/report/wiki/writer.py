"""What all wiki writers share: walking over blocks and Markdown; each engine adds its own markup.

A method that takes ``inline`` gets text that is already in the engine's markup; a method that takes ``text``
gets plain text and escapes it.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from typing import Any, ClassVar

from kit.report.document import (
    Answer,
    Block,
    CautionList,
    Downloads,
    FigureBlock,
    Heading,
    Prose,
    Sentences,
    Table,
    flatten,
)
from kit.report.wiki.escape import clean_text, normal_text
from kit.report.wiki.page import Attachment, WikiPage
from kit.report.wiki.prose import Token, parse, plain_text

Nested = list[tuple[str, "Nested", bool]]
"""Items of a list: inline text, its sub-items, whether those are numbered."""


class Writer(ABC):
    """Writes one page; afterwards `used` holds the attachments that the text refers to.

    `tables` then holds rows (the heading counted) and columns of each table, to compare with what the wiki shows.

    Parameters
    ----------
    page : WikiPage
        What to write.
    file_types : collection of str or None
        Types that the wiki takes, without the dot; None = all. Files of other types are named, not linked.
    remarks : str
        Name of the page where people write; empty = none.
    """

    engine: ClassVar[str]
    suffix: ClassVar[str]
    always_heads: ClassVar[bool] = False

    def __init__(
        self, page: WikiPage, *, file_types: Sequence[str] | None = None, remarks: str = ""
    ) -> None:
        self.page = page
        self.file_types = file_types
        self.remarks_page = remarks
        self.used: dict[str, Attachment] = {}
        self.tables: list[tuple[int, int]] = []

    def write(self) -> str:
        """Give the page's text; ends with one line end."""
        parts = [self.start(), *(self.block(b) for b in flatten(self.page.blocks))]
        if self.remarks_page:
            parts.append(self.remarks(self.remarks_page))
        parts.append(self.end())
        return normal_text("\n\n".join(p.strip("\n") for p in parts if p.strip("\n")))

    def start(self) -> str:
        """Give what stands before the first block."""
        return ""

    def end(self) -> str:
        """Give what stands after the last block: the categories."""
        return ""

    def remarks(self, name: str) -> str:
        """Give the sentence that points to the page for remarks."""
        return self.paragraph(
            f"{self.text('Have you tried it? Write it on the')} {self.page_link(name, 'page for remarks')}."
        )

    @abstractmethod
    def page_link(self, name: str, text: str) -> str:
        """Link to another page of the wiki by its name."""

    # Blocks -------------------------------------------------------------------------------------

    def block(self, block: Block) -> str:
        """Write one block.

        Returns
        -------
        str

        Raises
        ------
        TypeError
            If the block is of no known kind.
        """
        write = self._blocks().get(type(block))
        if write is None:
            raise TypeError(f"no wiki writer for {type(block).__name__}")
        return write(block)

    def _blocks(self) -> dict[type[Block], Callable[[Any], str]]:
        return {
            Heading: lambda b: self.plain_heading(b.text, b.level),
            Prose: lambda b: self.tokens(parse(b.markdown)),
            Sentences: self._sentences,
            Answer: self._answer,
            Table: self._table,
            FigureBlock: self._figure,
            CautionList: self._cautions,
            Downloads: self._downloads,
        }

    def _sentences(self, block: Sentences) -> str:
        if block.tone == "notice":
            return self.notice(block.title, block.items)
        if block.folded:
            return self.fold(block.title, self._lines(block.items))
        lead = [self.paragraph(self.strong(self.text(block.title)))] if block.title else []
        return "\n\n".join([*lead, self._lines(block.items)])

    def _lines(self, items: Sequence[str]) -> str:
        if len(items) == 1:
            return self.paragraph(self.text(items[0]))
        return self.items([(self.text(t), [], False) for t in items], ordered=False)

    def _answer(self, block: Answer) -> str:
        sentence = self.paragraph(self.strong(self.text(block.sentence)))
        facts = Table(("", ""), block.facts) if block.facts else None
        listed = [self._table(facts)] if facts else []
        return "\n\n".join([sentence, *listed, self.paragraph(self.text(block.status))])

    def _table(self, block: Table) -> str:
        columns = [self.cell(c) for c in block.columns]
        rows = [[self.cell(c) for c in row] for row in block.rows]
        self.tables.append((len(rows) + (any(columns) or self.always_heads), len(columns)))
        return self.table(columns, rows, block.caption, block.numeric, folded=block.folded)

    def _figure(self, block: FigureBlock) -> str:
        return self.figure(self.use(block.name), clean_text(block.alt), clean_text(block.caption))

    def _cautions(self, block: CautionList) -> str:
        scope = [self.paragraph(self.text(block.scope))] if block.scope else []
        return "\n\n".join([*scope, self.notice("Cautions", block.items)])

    def _downloads(self, block: Downloads) -> str:
        items: Nested = []
        for key, label, note in block.items:
            attachment = self.page.attachments[key]
            taken = self.file_types is None or attachment.suffix in self.file_types
            shown = self.file_link(self.use(key), label) if taken else self.text(label)
            words = (
                note
                if taken
                else f"{note} (not here: this wiki takes no .{attachment.suffix} files)"
            )
            items.append((f"{shown}{self.text(': ')} {self.text(words)}", [], False))
        return self.items(items, ordered=False)

    def use(self, key: str) -> str:
        """Give the wiki's name of an attachment and note that the page needs it."""
        self.used[key] = self.page.attachments[key]
        return self.page.attachments[key].name(self.page.slug)

    # Markdown -----------------------------------------------------------------------------------

    def tokens(self, tokens: list[Token]) -> str:
        """Write block tokens of a Markdown text."""
        return "\n\n".join(t for t in map(self._token, tokens) if t)

    def _token(self, token: Token) -> str:
        children = token.get("children", [])
        match token["type"]:
            case "paragraph" | "block_text":
                return self.paragraph(self.inline(children))
            case "heading":
                return self.heading(self.inline(children), token["attrs"]["level"] + 1)
            case "list":
                return self.items(self._nested(token), ordered=token["attrs"]["ordered"])
            case "block_code":
                return self.code_block(token["raw"], (token.get("attrs") or {}).get("info") or "")
            case "block_quote":
                return self.quote(self.tokens(children))
            case "table":
                return self._markdown_table(token)
            case "block_math":
                return self.formula(token["raw"].strip(), own_line=True)
            case "thematic_break":
                return self.rule()
            case "block_html":
                return self.paragraph(self.text(token["raw"]))
        return ""

    def _nested(self, token: Token) -> Nested:
        items: Nested = []
        for item in token["children"]:
            inline, below, ordered = [], [], False
            for child in item["children"]:
                if child["type"] == "list":
                    below += self._nested(child)
                    ordered = child["attrs"]["ordered"]
                elif "children" in child:
                    inline.append(self.inline(child["children"]))
                elif child.get("raw"):
                    inline.append(self.code(child["raw"].strip()))
            items.append((" ".join(inline), below, ordered))
        return items

    def _markdown_table(self, token: Token) -> str:
        head = token["children"][0]["children"]
        body = token["children"][1]["children"] if len(token["children"]) > 1 else []
        rows = [[self.inline_cell(c["children"]) for c in row["children"]] for row in body]
        numeric = tuple(i for i, c in enumerate(head) if c["attrs"]["align"] == "right")
        self.tables.append((len(rows) + 1, len(head)))
        return self.table([self.inline_cell(c["children"]) for c in head], rows, "", numeric)

    def inline(self, tokens: list[Token]) -> str:
        """Write inline tokens."""
        return "".join(map(self._inline, tokens)).strip()

    def _inline(self, token: Token) -> str:
        children = token.get("children", [])
        match token["type"]:
            case "emphasis":
                return self.emphasis(self.inline(children))
            case "strong":
                return self.strong(self.inline(children))
            case "codespan":
                return self.code(token["raw"])
            case "link":
                return self.link(token["attrs"]["url"], self.inline(children))
            case "inline_math":
                return self.formula(token["raw"].strip(), own_line=False)
            case "linebreak":
                return self.line_break()
            case "softbreak":
                return " "
            case "image":
                return self.text(plain_text(children))
            case "strikethrough":
                return self.inline(children)
        return self._keeping_blanks(token.get("raw", ""))

    def _keeping_blanks(self, raw: str) -> str:
        """Escape text between other inline marks: the blanks at its ends part it from them."""
        before = " " if raw[:1].isspace() else ""
        after = " " if raw[-1:].isspace() and raw.strip() else ""
        return f"{before}{self.text(raw)}{after}"

    # What each engine adds ----------------------------------------------------------------------

    def plain_heading(self, text: str, level: int) -> str:
        """Set a heading of plain text."""
        return self.heading(self.text(text), level)

    def cell(self, text: str) -> str:
        """Escape the text of a table cell."""
        return self.text(text)

    def inline_cell(self, tokens: list[Token]) -> str:
        """Write inline tokens into a table cell."""
        return self.inline(tokens)

    def fold(self, title: str, markup: str) -> str:
        """Set something that few will read; an engine that can fold it away does."""
        return "\n\n".join([self.paragraph(self.strong(self.text(title))), markup])

    def rule(self) -> str:
        """Draw a line across."""
        return "----"

    @abstractmethod
    def text(self, text: str) -> str:
        """Escape plain text."""

    @abstractmethod
    def strong(self, inline: str) -> str:
        """Set strong."""

    @abstractmethod
    def emphasis(self, inline: str) -> str:
        """Set with emphasis."""

    @abstractmethod
    def code(self, text: str) -> str:
        """Set as code within a line."""

    @abstractmethod
    def link(self, url: str, inline: str) -> str:
        """Link to an address."""

    @abstractmethod
    def file_link(self, name: str, text: str) -> str:
        """Link to an attachment by its name on the wiki."""

    @abstractmethod
    def line_break(self) -> str:
        """Break the line within a paragraph."""

    @abstractmethod
    def heading(self, inline: str, level: int) -> str:
        """Set a heading; level 1 is the page title, which the wiki sets itself."""

    @abstractmethod
    def paragraph(self, inline: str) -> str:
        """Set a paragraph."""

    @abstractmethod
    def items(self, nested: Nested, *, ordered: bool) -> str:
        """Set a list."""

    @abstractmethod
    def code_block(self, text: str, language: str) -> str:
        """Set code on lines of its own."""

    @abstractmethod
    def quote(self, markup: str) -> str:
        """Set as a quotation; the markup holds whole paragraphs."""

    @abstractmethod
    def table(
        self,
        columns: Sequence[str],
        rows: Sequence[Sequence[str]],
        caption: str,
        numeric: Sequence[int],
        *,
        folded: bool = False,
    ) -> str:
        """Set a table of cells in markup; ``caption`` is plain text."""

    @abstractmethod
    def figure(self, name: str, alt: str, caption: str) -> str:
        """Set a picture with its words, both plain text."""

    @abstractmethod
    def notice(self, title: str, items: Sequence[str]) -> str:
        """Set what the reader must not miss: plain text."""

    @abstractmethod
    def formula(self, tex: str, *, own_line: bool) -> str:
        """Set a formula."""
