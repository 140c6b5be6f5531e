"""MediaWiki's markup. Only core markup; extensions only where the wiki says that it has them."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from html import escape
from typing import ClassVar

from kit.report.wiki.escape import clean_text, mediawiki_text
from kit.report.wiki.page import WikiPage
from kit.report.wiki.writer import Nested, Writer

WIDTH = 700
"""Width of pictures on the page, pixels; a phone scales them down."""

FIRST_LISTED = 3
"""The section before which the list of contents stands: what the settings are good for comes first."""

_SIDE = "max-width:100%;overflow-x:auto"
_BOX = "border-left:4px solid #54595d;padding:0.4em 1em;margin:0.8em 0;background:#f8f9fa"


class MediaWikiWriter(Writer):
    """Writes a page for MediaWiki.

    Parameters
    ----------
    page : WikiPage
    file_types : collection of str or None
        Types that the wiki takes.
    tags : collection of str
        Extension tags that work on this wiki, such as ``math`` and ``syntaxhighlight``.
    """

    engine: ClassVar[str] = "mediawiki"
    suffix: ClassVar[str] = "wiki"

    def __init__(
        self,
        page: WikiPage,
        *,
        file_types: Sequence[str] | None = None,
        remarks: str = "",
        tags: Collection[str] = (),
    ) -> None:
        super().__init__(page, file_types=file_types, remarks=remarks)
        self.tags = frozenset(tags)
        self._sections = 0

    def end(self) -> str:
        """Give the categories, one a line."""
        return "\n".join(f"[[Category:{category_name(c)}]]" for c in self.page.categories)

    def text(self, text: str) -> str:
        """Escape plain text."""
        return mediawiki_text(text)

    def strong(self, inline: str) -> str:
        """Set strong."""
        return f"<b>{inline}</b>"

    def emphasis(self, inline: str) -> str:
        """Set with emphasis."""
        return f"<i>{inline}</i>"

    def code(self, text: str) -> str:
        """Set as code within a line."""
        return f"<code>{mediawiki_text(text)}</code>"

    def link(self, url: str, inline: str) -> str:
        """Link to an address; anything but http(s) stays text."""
        if not re.fullmatch(r"https?://[^\s<>\[\]\"{}|\\^`']+", url):
            return inline
        return f"[{url} {inline}]"

    def file_link(self, name: str, text: str) -> str:
        """Link to the file itself."""
        return f"[[Media:{name}|{mediawiki_text(text)}]]"

    def page_link(self, name: str, text: str) -> str:
        """Link to another page of the wiki."""
        return f"[[:{name}|{mediawiki_text(text)}]]"

    def line_break(self) -> str:
        """Break the line within a paragraph."""
        return "<br>"

    def plain_heading(self, text: str, level: int) -> str:
        """Set a heading; the contents list stands after what everybody should read."""
        self._sections += level == 2
        contents = "__TOC__\n\n" if level == 2 and self._sections == FIRST_LISTED else ""
        return contents + self.heading(mediawiki_text(text), level)

    def heading(self, inline: str, level: int) -> str:
        """Set a heading; MediaWiki sets the title as level 1."""
        marks = "=" * min(max(level, 2), 6)
        return f"{marks} {inline} {marks}"

    def paragraph(self, inline: str) -> str:
        """Set a paragraph."""
        return inline

    def items(self, nested: Nested, *, ordered: bool) -> str:
        """Set a list."""
        return "\n".join(self._items(nested, "#" if ordered else "*"))

    def _items(self, nested: Nested, marks: str) -> list[str]:
        lines = []
        for inline, below, ordered in nested:
            lines.append(f"{marks} {inline}")
            lines += self._items(below, marks + ("#" if ordered else "*"))
        return lines

    def code_block(self, text: str, language: str) -> str:
        """Set code on lines of its own."""
        body = text.rstrip("\n")
        known = re.fullmatch(r"[a-z0-9+#-]+", language)
        if "syntaxhighlight" in self.tags and known and "</syntaxhighlight" not in body.lower():
            return f'<syntaxhighlight lang="{language}">\n{body}\n</syntaxhighlight>'
        safe = "\n".join(_entities(line) for line in body.split("\n"))
        return f"<pre>\n{safe}\n</pre>"

    def quote(self, markup: str) -> str:
        """Set as a quotation."""
        return f"<blockquote>\n{markup}\n</blockquote>"

    def table(
        self,
        columns: Sequence[str],
        rows: Sequence[Sequence[str]],
        caption: str,
        numeric: Sequence[int],
        *,
        folded: bool = False,
    ) -> str:
        """Set a table; a blank after every bar keeps a cell from reading as table syntax."""
        lines = [f'<div tabindex="0" style="{_SIDE}">', '{| class="wikitable"']
        if caption and not folded:
            lines.append(f"|+ {mediawiki_text(caption)}")
        if any(columns):
            lines += ["|-", *(f'! scope="col" | {c}' for c in columns)]
        for row in rows:
            lines += ["|-", *(self._cell(i, c, numeric) for i, c in enumerate(row))]
        table = "\n".join([*lines, "|}", "</div>"])
        return self.fold(caption, table) if folded else table

    def fold(self, title: str, markup: str) -> str:
        """Fold something away behind its title; without scripts it simply stands there."""
        return f'<b>{mediawiki_text(title)}</b>\n<div class="mw-collapsible mw-collapsed">\n{markup}\n</div>'

    def _cell(self, i: int, inline: str, numeric: Sequence[int]) -> str:
        if i == 0:
            return f'! scope="row" style="text-align:left;font-weight:normal" | {inline}'
        right = ' style="text-align:right"' if i in numeric else ""
        return f"|{right} | {inline}" if right else f"| {inline}"

    def figure(self, name: str, alt: str, caption: str) -> str:
        """Set a picture with its words."""
        picture = f"[[File:{name}|frameless|{WIDTH}px|alt={mediawiki_text(alt)}]]"
        words = (
            f'\n<div style="font-size:90%;margin:0 0 1.2em">{mediawiki_text(caption)}</div>'
            if caption
            else ""
        )
        return f'<div style="{_SIDE}">{picture}</div>{words}'

    def notice(self, title: str, items: Sequence[str]) -> str:
        """Set a box."""
        lead = [f"<b>{mediawiki_text(title)}</b>", ""] if title else []
        if len(items) == 1:
            body = [mediawiki_text(items[0])]
        else:
            body = [f"* {mediawiki_text(t)}" for t in items]
        return "\n".join([f'<div role="note" style="{_BOX}">', *lead, *body, "</div>"])

    def formula(self, tex: str, *, own_line: bool) -> str:
        """Set a formula: as one where the wiki can, else as a picture."""
        if "math" in self.tags:
            shown = ' display="block"' if own_line else ""
            return f"<math{shown}>{tex.replace('</math', '')}</math>"
        if tex not in self.page.attachments:
            return self.code(tex)
        name = self.use(tex)
        place = "none" if own_line else "baseline"
        return f"[[File:{name}|frameless|{place}|alt={mediawiki_text(tex)}]]"


def category_name(text: str) -> str:
    """Give a category's name without signs that titles may not hold."""
    return re.sub(r"[\[\]{}|#<>_:/&%+?'\"~]+", " ", clean_text(text)).strip() or "Prints"


def _entities(line: str) -> str:
    """Escape a line of preformatted text; wiki markup and links are switched off by entities as well."""
    return re.sub(r"[\[\]{}|'~_:;*#=-]", lambda m: f"&#{ord(m[0])};", escape(line, quote=False))
