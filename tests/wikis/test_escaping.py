"""Whatever a cell, a list item or a paragraph says, the real engine shows exactly that."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from kit.report.document import CautionList, Sentences, Table
from kit.report.wiki.dokuwiki import DokuWikiWriter
from kit.report.wiki.escape import clean_text
from kit.report.wiki.markdown import MarkdownWriter
from kit.report.wiki.mediawiki import MediaWikiWriter
from kit.report.wiki.page import WikiPage
from kit.report.wiki.writer import Writer
from tests.wikis.dokuwiki_server import DokuWikiServer
from tests.wikis.mediawiki_server import MediaWikiServer

ODD = [
    "[[x]]", "{{x}}", "{{{1}}}", "''a''", "'''b'''", "* a", "# a", ": a", "; a : b", "a|b", "a || b", "P>|t|", "|-", "|}",
    "{|", "! a !! b", "== a ==", "----", "~~~~", "__NOTOC__", "<b>x</b>", "<!-- x -->", "&amp;", "&#91;", "</td>",
    "http://a.example/b", "a@b.example", "www.example.org", "RFC 2119", "ISBN 0306406152", "PMID 12", "**a**", "//a//",
    "__a__", "%%a%%", "5 %", "100%%", "<nowiki>a</nowiki>", "</nowiki>", "((a))", "FIXME", "DELETEME", ":-)", "8-)",
    "640x480", "40x40x4", "...", "a--b", "a---b", "(c)", "(tm)", "\"quoted\"", "it's", "a -> b", "=> <=", "CamelCase", "\\\\ a",
    ">a", "`a`", "``", "$a$", "$$a$$", "1. a", "1) a", "- a", "+ a", "#a", "~~a~~", "![a](b)", "[a](b)", "<a@b.example>",
    "a\\|b", "\\", "a  b", "\u2212" + "5", "-5", "é e\u0301", "日本語", "🙂", "LOL", "m(", "^_^", "^ a ^", ":::", "ns:page", "doku>x",
    "RSS", "_a_", "a_b_c", "*", "|", "^", "%", "0", "x" * 300, "<ref>a</ref>", "<math>x</math>", "[http://a.example b]",
    "[[Category:X]]", "[[File:a.png]]", "#REDIRECT [[A]]", "<script>alert(1)</script>", "javascript:a", "@a", "a&b", "a & b;",
    "\u00a0a\u00a0b", "a\u200db", "\u2019a\u2018 “b”", "§ 5", "10⁻³", "1/2", "50%", "a=b", "{a}", "http", "https://", "//", "''", "__", "::",
    "~~NOCACHE~~", "~~NOTOC~~", "{{rss>http://a.example}}", "<code>a</code>", "<file>a</file>", "<html>a</html>", "<php>1</php>",
]  # fmt: skip


def fuzz(n: int) -> list[str]:
    rng = np.random.default_rng(20260131)
    signs = [
        *"[]{}|'~<>&_*#:;=!-+\"/\\^%@$()`., \taZ09é−",
        "[[", "]]", "{{", "}}", "''", "**", "//", "__", "%%", "||", "((", "))", "--", "...", "<nowiki>", "</nowiki>", "<b>", "&lt;",
        "http://", "RFC 1", "\\\\", "~~", "$$", "``", "Word", "www.a.example",
    ]  # fmt: skip
    lengths = rng.integers(1, 12, n)
    return ["".join(rng.choice(signs, k)) for k in lengths]


STRINGS = [s for s in (*ODD, *fuzz(700)) if clean_text(s)]


class Cells(HTMLParser):
    """The text of every td, th and li, and the tags inside them."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.rows: list[list[str]] = []
        self.items: list[str] = []
        self.tags: list[str] = []
        self._into: list[str] | None = None

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag == "tr":
            self.rows.append([])
        elif tag in ("td", "th"):
            self.rows[-1].append("")
            self._into = self.rows[-1]
        elif tag == "li":
            self.items.append("")
            self._into = self.items
        elif self._into is not None:
            self.tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th", "li"):
            self._into = None

    def handle_data(self, data: str) -> None:
        if self._into is not None:
            self._into[-1] += data


def shown(html: str) -> Cells:
    cells = Cells()
    cells.feed(html)
    return cells


def said(text: str) -> str:
    """A blank before a percent sign becomes a hard one in MediaWiki: the same words."""
    return clean_text(text.replace("\u00a0", " "))


def page_of(strings: list[str]) -> WikiPage:
    rows = tuple((s, "n", s) for s in strings)
    return WikiPage(
        "Fuzz",
        (
            Table(("a", "b", "c"), rows, numeric=(2,)),
            Sentences(tuple(strings)),
            CautionList(tuple(strings)),
        ),
    )


def check(html: str, strings: list[str], harmless: set[str]) -> None:
    cells = shown(html)
    rows = [[said(c) for c in row] for row in cells.rows[1:]]
    wanted = [[said(s), "n", said(s)] for s in strings]
    wrong = [(w, r) for w, r in zip(wanted, rows, strict=False) if w != r]
    assert not wrong, wrong[:8]
    assert len(rows) == len(wanted)
    listed = [said(s) for s in strings] * 2
    assert not [(i, s) for i, s in zip(map(said, cells.items), listed, strict=False) if i != s][:5]
    assert len(cells.items) == len(listed)
    assert set(cells.tags) <= harmless


def test_mediawiki_shows_what_was_written(mediawiki_server: MediaWikiServer) -> None:
    text = MediaWikiWriter(page_of(STRINGS)).write()
    check(mediawiki_server.parse(text), STRINGS, set())


def test_dokuwiki_shows_what_was_written(dokuwiki_server: DokuWikiServer) -> None:
    class Lists(DokuWikiWriter):
        def notice(
            self, title: str, items: object
        ) -> str:  # as a list, so that items can be counted
            return self._lines(items)  # type: ignore[arg-type]

    text = Lists(page_of(STRINGS)).write()
    # DokuWiki wraps a list item's text in a div; acronyms get their long form as a tooltip.
    check(dokuwiki_server.parse(text), STRINGS, {"div", "abbr"})


def test_markdown_shows_what_was_written(gfm: Path) -> None:
    def render(text: str) -> str:
        command = [
            str(gfm),
            "-e",
            "table",
            "-e",
            "strikethrough",
            "-e",
            "autolink",
            "-e",
            "tagfilter",
        ]
        return subprocess.run(
            command, input=text, capture_output=True, text=True, check=True
        ).stdout

    html = render(MarkdownWriter(page_of(STRINGS)).write())
    # An address with an at sign may become a link to itself; its text stays.
    check(html, STRINGS, {"a"})


@pytest.mark.parametrize("writer", [MediaWikiWriter, DokuWikiWriter, MarkdownWriter])
def test_plain_words_stay_readable(writer: Callable[[WikiPage], Writer]) -> None:
    sentence = "Set 215 °C, 50 mm and fan at most 60 (about half), then wait."
    assert sentence in writer(WikiPage("Plain", (Sentences((sentence,)),))).write()
