"""What readers see, compared with what was meant: tables, pictures, links, leftovers of markup."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from html.parser import HTMLParser

_BROKEN = {"new", "wikilink2", "texerror", "error", "scribunto-error"}
_LEFTOVERS = re.compile(r"\[\[|\]\]|\{\{|\}\}|%%|\$\$|\.dataframe|<syntaxhighlight|&lt;nowiki")
_PATHS = re.compile(r"(?:/home/|/Users/|/root/|[A-Z]:\\Users\\)[^\s\"'<>]+")
_SILENT = {"code", "pre", "script", "style"}
_VOID = {
    "img",
    "br",
    "hr",
    "input",
    "meta",
    "link",
    "wbr",
    "area",
    "base",
    "col",
    "embed",
    "source",
    "track",
}


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tables: list[list[int]] = []
        self.pictures: list[tuple[str, str]] = []
        self.broken: list[str] = []
        self.words: list[str] = []
        self._open: list[str] = []
        self._inside: list[list[int]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {k: v or "" for k, v in attrs}
        hit = _BROKEN & set(given.get("class", "").split())
        if hit:
            self.broken.append(given.get("title") or given.get("href") or ", ".join(hit))
        if tag == "table":
            self.tables.append([])
            self._inside.append(self.tables[-1])
        elif tag == "tr" and self._inside:
            self._inside[-1].append(0)
        elif tag in ("td", "th") and self._inside and self._inside[-1]:
            self._inside[-1][-1] += int(given.get("colspan") or 1)
        elif tag == "img":
            self.pictures.append((given.get("src", ""), given.get("alt", "")))
        if tag not in _VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag == "table" and self._inside:
            self._inside.pop()
        if tag in self._open:
            while self._open.pop() != tag:
                pass

    def handle_data(self, data: str) -> None:
        if not _SILENT & set(self._open):
            self.words.append(data)


def page_problems(
    html: str,
    *,
    tables: Sequence[tuple[int, int]],
    pictures: int,
    picture_problem: Callable[[str], str],
    said: str = "",
) -> list[str]:
    """List what is wrong with a page as readers see it.

    Parameters
    ----------
    html : str
        The page's own content, without the wiki's menus.
    tables : sequence of (rows, columns)
        As they were written.
    pictures : int
        How many it should show.
    picture_problem : callable
        Fetches a picture by its address; empty = fine.
    said : str
        The page's plain text: signs that look like markup but stand in it are no leftovers.

    Returns
    -------
    list of str
        Empty when all is well.
    """
    page = _Page()
    page.feed(html)
    problems = [f"a link or a formula is broken: {b}" for b in page.broken]
    shapes = [(len(t), max(t, default=0)) for t in page.tables]
    if shapes != list(tables):
        problems.append(f"tables of {_shapes(tables)} became {_shapes(shapes)}")
    if len(page.pictures) < pictures:
        problems.append(f"{pictures} pictures were sent, {len(page.pictures)} are shown")
    for source, alt in page.pictures:
        why = picture_problem(source)
        if why:
            problems.append(f"a picture does not load ({why}): {source}")
        if not alt:
            problems.append(f"a picture has no words for those who cannot see it: {source}")
    words = "".join(page.words)
    problems += [
        f"markup shows in the text: {m}"
        for m in dict.fromkeys(_LEFTOVERS.findall(words))
        if m not in said
    ]
    problems += [
        f"a path of a machine shows in the text: {m}" for m in dict.fromkeys(_PATHS.findall(words))
    ]
    return problems


def _shapes(shapes: Sequence[tuple[int, int]]) -> str:
    return ", ".join(f"{r} x {c}" for r, c in shapes) or "none"
