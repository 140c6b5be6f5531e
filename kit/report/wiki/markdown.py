"""GitHub-flavoured Markdown for wikis that live in a git repository."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import ClassVar

from kit.report.wiki.escape import clean_text, code_span, markdown_text
from kit.report.wiki.page import WikiPage
from kit.report.wiki.prose import Token
from kit.report.wiki.writer import Nested, Writer


class MarkdownWriter(Writer):
    """Writes a page in Markdown.

    Parameters
    ----------
    page : WikiPage
    folder : str
        Where the files lie, as seen from the page.
    file_types : collection of str or None
        Types to put beside the page; None = all.
    """

    engine: ClassVar[str] = "markdown"
    suffix: ClassVar[str] = "md"
    always_heads: ClassVar[bool] = True

    def __init__(
        self,
        page: WikiPage,
        *,
        folder: str = "files",
        file_types: Sequence[str] | None = None,
        remarks: str = "",
    ) -> None:
        super().__init__(page, file_types=file_types, remarks=remarks)
        self.folder = folder

    def start(self) -> str:
        """Give the title."""
        return f"# {markdown_text(self.page.title)}"

    def end(self) -> str:
        """Name the categories."""
        return (
            f"Filed under: {markdown_text(', '.join(self.page.categories))}"
            if self.page.categories
            else ""
        )

    def text(self, text: str) -> str:
        """Escape plain text."""
        return markdown_text(text)

    def strong(self, inline: str) -> str:
        """Set strong."""
        return f"**{inline}**" if inline else ""

    def emphasis(self, inline: str) -> str:
        """Set with emphasis."""
        return f"*{inline}*" if inline else ""

    def code(self, text: str) -> str:
        """Set as code within a line."""
        return code_span(clean_text(text), lambda n: "`" * n)

    def inline_cell(self, tokens: list[Token]) -> str:
        """Write inline tokens into a table cell, where a bar ends the cell even inside code."""
        return re.sub(r"(?<!\\)\|", r"\\|", self.inline(tokens))

    def link(self, url: str, inline: str) -> str:
        """Link to an address."""
        if not re.fullmatch(r"https?://[^\s<>\\`]+", url):
            return inline
        return f"[{inline}](<{url}>)"

    def file_link(self, name: str, text: str) -> str:
        """Link to the file beside the page."""
        return f"[{markdown_text(text)}]({self.folder}/{name})"

    def page_link(self, name: str, text: str) -> str:
        """Link to another page beside this one."""
        return f"[{markdown_text(text)}]({name})"

    def line_break(self) -> str:
        """Break the line within a paragraph."""
        return "\\\n"

    def rule(self) -> str:
        """Draw a line across."""
        return "---"

    def heading(self, inline: str, level: int) -> str:
        """Set a heading."""
        return f"{'#' * min(max(level, 2), 6)} {inline}"

    def paragraph(self, inline: str) -> str:
        """Set a paragraph."""
        return inline

    def items(self, nested: Nested, *, ordered: bool) -> str:
        """Set a list."""
        return "\n".join(self._items(nested, ordered, ""))

    def _items(self, nested: Nested, ordered: bool, indent: str) -> list[str]:
        lines = []
        for i, (inline, below, numbered) in enumerate(nested, 1):
            mark = f"{i}." if ordered else "-"
            lines.append(f"{indent}{mark} {inline}")
            lines += self._items(below, numbered, indent + " " * (len(mark) + 1))
        return lines

    def code_block(self, text: str, language: str) -> str:
        """Set code on lines of its own."""
        longest = max((len(run) for run in re.findall("`+", text)), default=0)
        fence = "`" * max(3, longest + 1)
        known = language if re.fullmatch(r"[a-z0-9+#-]+", language) else ""
        return f"{fence}{known}\n{text.rstrip(chr(10))}\n{fence}"

    def quote(self, markup: str) -> str:
        """Set as a quotation."""
        return "\n".join(f"> {line}".rstrip() for line in markup.split("\n"))

    def table(
        self,
        columns: Sequence[str],
        rows: Sequence[Sequence[str]],
        caption: str,
        numeric: Sequence[int],
        *,
        folded: bool = False,
    ) -> str:
        """Set a table of bars; Markdown knows no caption, so it is a paragraph before."""
        lead = [f"**{markdown_text(caption)}**", ""] if caption else []
        marks = ["--:" if i in numeric else "---" for i in range(len(columns))]
        lines = [self._row(columns), self._row(marks), *map(self._row, rows)]
        return "\n".join([*lead, *lines])

    def _row(self, cells: Sequence[str]) -> str:
        return f"| {' | '.join(cells)} |"

    def figure(self, name: str, alt: str, caption: str) -> str:
        """Set a picture; its caption is a paragraph of its own."""
        picture = f"![{markdown_text(alt)}]({self.folder}/{name})"
        return f"{picture}\n\n*{markdown_text(caption)}*" if caption else picture

    def notice(self, title: str, items: Sequence[str]) -> str:
        """Set as a quotation."""
        lead = [f"**{markdown_text(title)}**", ""] if title else []
        if len(items) == 1:
            return self.quote("\n".join([*lead, markdown_text(items[0])]))
        return self.quote("\n".join([*lead, *(f"- {markdown_text(t)}" for t in items)]))

    def formula(self, tex: str, *, own_line: bool) -> str:
        """Set a formula as GitHub and GitLab read it."""
        if own_line:
            return f"```math\n{tex}\n```"
        return f"$`{tex}`$" if "`" not in tex else self.code(tex)
