"""DokuWiki's markup; nothing that a plugin would have to understand."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import ClassVar

from kit.report.wiki.escape import clean_text, dokuwiki_text
from kit.report.wiki.page import WikiPage
from kit.report.wiki.writer import Nested, Writer

WIDTH = 700
"""Width of pictures on the page, pixels; a phone scales them down."""


class DokuWikiWriter(Writer):
    """Writes a page for DokuWiki.

    Parameters
    ----------
    page : WikiPage
    namespace : str
        Where the files lie, such as ``prints:satin``; empty = the top.
    file_types : collection of str or None
        Types that the wiki takes.
    """

    engine: ClassVar[str] = "dokuwiki"
    suffix: ClassVar[str] = "txt"

    def __init__(
        self,
        page: WikiPage,
        *,
        namespace: str = "",
        file_types: Sequence[str] | None = None,
        remarks: str = "",
    ) -> None:
        super().__init__(page, file_types=file_types, remarks=remarks)
        self.namespace = namespace

    def start(self) -> str:
        """Give the title; DokuWiki takes it from the first heading."""
        return f"====== {heading_text(self.page.title)} ======"

    def end(self) -> str:
        """Name the categories; DokuWiki's core has none."""
        return (
            f"Filed under: {dokuwiki_text(', '.join(self.page.categories))}"
            if self.page.categories
            else ""
        )

    def media(self, name: str) -> str:
        """Give the full id of a file."""
        return f":{self.namespace}:{name}" if self.namespace else f":{name}"

    def text(self, text: str) -> str:
        """Escape plain text."""
        return dokuwiki_text(text)

    def strong(self, inline: str) -> str:
        """Set strong."""
        return f"**{inline}**"

    def emphasis(self, inline: str) -> str:
        """Set with emphasis."""
        return f"//{inline}//"

    def code(self, text: str) -> str:
        """Set as code within a line."""
        return f"''{dokuwiki_text(text)}''"

    def link(self, url: str, inline: str) -> str:
        """Link to an address; its text may hold no markup, so marks are taken off."""
        if not re.fullmatch(r"https?://[^\s<>\[\]\"{}|\\^`']+", url):
            return inline
        return f"[[{url}|{_label(_unquoted(inline))}]]"

    def file_link(self, name: str, text: str) -> str:
        """Link to the file itself."""
        return f"{{{{{self.media(name)}?linkonly|{_label(text)}}}}}"

    def page_link(self, name: str, text: str) -> str:
        """Link to another page of the wiki."""
        return f"[[:{name}|{_label(text)}]]"

    def line_break(self) -> str:
        """Break the line within a paragraph."""
        return r" \\ "

    def plain_heading(self, text: str, level: int) -> str:
        """Set a heading; markup is not read there, so the text goes in as it is."""
        marks = "=" * (7 - min(max(level, 2), 5))
        return f"{marks} {heading_text(text)} {marks}"

    def heading(self, inline: str, level: int) -> str:
        """Set a heading from markup."""
        return self.plain_heading(_unquoted(inline), level)

    def paragraph(self, inline: str) -> str:
        """Set a paragraph."""
        return inline

    def items(self, nested: Nested, *, ordered: bool) -> str:
        """Set a list."""
        return "\n".join(self._items(nested, ordered, 1))

    def _items(self, nested: Nested, ordered: bool, depth: int) -> list[str]:
        lines = []
        for inline, below, numbered in nested:
            lines.append(f"{'  ' * depth}{'-' if ordered else '*'} {inline}")
            lines += self._items(below, numbered, depth + 1)
        return lines

    def code_block(self, text: str, language: str) -> str:
        """Set code on lines of its own."""
        body = text.rstrip("\n")
        tag = "file" if "</code>" in body.lower() else "code"
        known = f" {language}" if re.fullmatch(r"[a-z0-9]+", language) else ""
        return f"<{tag}{known}>\n{body.replace(f'</{tag}>', '')}\n</{tag}>"

    def quote(self, markup: str) -> str:
        """Set as a quotation."""
        return "\n".join(f"> {line}" for line in markup.split("\n") if line)

    def table(
        self,
        columns: Sequence[str],
        rows: Sequence[Sequence[str]],
        caption: str,
        numeric: Sequence[int],
        *,
        folded: bool = False,
    ) -> str:
        """Set a table; two blanks before a cell's text align it to the right."""
        lines = [f"**{dokuwiki_text(caption)}**", ""] if caption else []
        if any(columns):
            lines.append("".join(f"^ {c} " for c in columns) + "^")
        for row in rows:
            cells = [f"|  {c} " if i in numeric else f"| {c} " for i, c in enumerate(row)]
            cells[0] = f"^ {row[0]} "
            lines.append("".join(cells) + "|")
        return "\n".join(lines)

    def figure(self, name: str, alt: str, caption: str) -> str:
        """Set a picture; its caption is a line of its own."""
        picture = f"{{{{{self.media(name)}?{WIDTH}|{_label(alt)}}}}}"
        return f"{picture}\n\n//{dokuwiki_text(caption)}//" if caption else picture

    def notice(self, title: str, items: Sequence[str]) -> str:
        """Set as a quotation, which DokuWiki draws with a bar at its left."""
        lead = [f"> **{dokuwiki_text(title)}**"] if title else []
        return "\n".join([*lead, *(f"> {dokuwiki_text(t)}" for t in items)])

    def formula(self, tex: str, *, own_line: bool) -> str:
        """Set a formula as a picture: DokuWiki's core sets none."""
        if tex not in self.page.attachments:
            return self.code(tex)
        return f"{{{{{self.media(self.use(tex))}|{_label(tex)}}}}}"


def heading_text(text: str) -> str:
    """Give a heading's text: DokuWiki reads no markup in it, but ``=`` at its ends would end it."""
    return clean_text(text).strip("= ") or "–"


def _unquoted(inline: str) -> str:
    """Take escapes and marks off inline markup, where only plain text may stand."""
    inside = re.sub(r"<nowiki>(.*?)</nowiki>|%%(.*?)%%", lambda m: m[1] or m[2] or "", inline)
    return re.sub(r"\*\*|//|''", "", inside)


def _label(text: str) -> str:
    """Give a link's or picture's words: nothing can be escaped there, so the signs that end it are replaced."""
    signs = str.maketrans({"|": "/", "{": "(", "}": ")", "[": "(", "]": ")"})
    return clean_text(text).translate(signs)
