"""Blocks and documents as HTML: one self-contained page that opens offline.

Every text is escaped here, at the last moment; Markdown (from templates only) goes through the parser that
nbconvert brings, with raw HTML switched off.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from html import escape
from typing import Any
from urllib.parse import quote

from kit.report.document import (
    Answer,
    Block,
    CautionList,
    Document,
    Downloads,
    FigureBlock,
    Group,
    Heading,
    Prose,
    Sentences,
    Table,
)
from kit.report.page_style import STYLE
from kit.words import UNITS

LONG = 30
"""Cells with more letters than this get room to breathe on a narrow screen."""


_BEFORE_UNIT = re.compile(
    r"(?<=\d) (?=(?:"
    + "|".join(sorted({re.escape(u.label) for u in UNITS.values()}, key=len))
    + r")(?![\w/]))"
)


@cache
def _markdown() -> Any:  # noqa: ANN401 - the parser is untyped
    import mistune

    return mistune.create_markdown(escape=True, plugins=["table"])


def block_html(block: Block) -> str:
    """Give one block as an HTML fragment.

    Returns
    -------
    str

    Raises
    ------
    TypeError
        If the block is of no known kind.
    """
    writer = _WRITERS.get(type(block))
    if writer is None:
        raise TypeError(f"no HTML writer for {type(block).__name__}")
    return writer(block)


def page_html(document: Document, *, footer: str = "") -> str:
    """Give the whole page: no script, no font, no picture from elsewhere.

    Parameters
    ----------
    document : Document
        Title and blocks.
    footer : str
        A plain sentence for the foot of the page.

    Returns
    -------
    str
        A complete HTML document.
    """
    sections = [b for b in document.blocks if isinstance(b, Heading) and b.level == 2]
    links = "".join(f'<li><a href="#{anchor(h.text)}">{escape(h.text)}</a></li>' for h in sections)
    contents = f'<nav aria-label="On this page"><ul>{links}</ul></nav>' if links else ""
    lead, rest = _lead(document.blocks)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{escape(document.title)}</title>
<style>{STYLE}</style>
</head>
<body>
<main>
<h1>{escape(document.title)}</h1>
{"".join(block_html(b) for b in lead)}
{contents}
{"".join(block_html(b) for b in rest)}
</main>
<footer><p>{escape(footer)}</p></footer>
</body>
</html>
"""


def anchor(text: str) -> str:
    """Give a heading's id.

    Returns
    -------
    str

    Examples
    --------
    >>> anchor("How sure are we?")
    'how-sure-are-we'
    """
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "section"


def _text(text: str) -> str:
    """Escape a text and keep numbers with their units on one line."""
    return _BEFORE_UNIT.sub("&nbsp;", escape(text))


def _lead(blocks: tuple[Block, ...]) -> tuple[tuple[Block, ...], tuple[Block, ...]]:
    """Split off what stands before the first section: the answer comes before the contents list."""
    for i, block in enumerate(blocks):
        if isinstance(block, Heading):
            return blocks[:i], blocks[i:]
    return blocks, ()


def _heading(block: Heading) -> str:
    level = min(max(block.level, 2), 4)
    return f'<h{level} id="{anchor(block.text)}">{escape(block.text)}</h{level}>\n'


def _prose(block: Prose) -> str:
    return str(_markdown()(block.markdown))


def _sentences(block: Sentences) -> str:
    if len(block.items) == 1:
        body = f"<p>{_text(block.items[0])}</p>"
    else:
        body = "<ul>" + "".join(f"<li>{_text(s)}</li>" for s in block.items) + "</ul>"
    if block.folded:
        return f"<details><summary>{_text(block.title)}</summary>{body}</details>\n"
    title = f'<p class="lead">{_text(block.title)}</p>' if block.title else ""
    role = ' role="note"' if block.tone == "notice" else ""
    return f'<div class="sentences {escape(block.tone)}"{role}>{title}{body}</div>\n'


def _answer(block: Answer) -> str:
    facts = "".join(f"<div><dt>{_text(k)}</dt><dd>{_text(v)}</dd></div>" for k, v in block.facts)
    state = "reached" if block.reached else "open"
    listed = f"<dl>{facts}</dl>" if facts else ""
    return (
        f'<section class="answer {state}" aria-label="Answer">'
        f'<p class="sentence">{_text(block.sentence)}</p>{listed}'
        f'<p class="status">{_text(block.status)}</p></section>\n'
    )


def _table(block: Table) -> str:
    def cell(tag: str, i: int, text: str, scope: str = "") -> str:
        kind = ' class="number"' if i in block.numeric else ""
        if not kind and len(text) > LONG:
            kind = ' class="long"'
        return f"<{tag}{scope}{kind}>{_text(text)}</{tag}>"

    head = "".join(cell("th", i, c, ' scope="col"') for i, c in enumerate(block.columns))
    body = "".join(
        "<tr>"
        + "".join(
            cell("th" if i == 0 else "td", i, text, ' scope="row"' if i == 0 else "")
            for i, text in enumerate(row)
        )
        + "</tr>\n"
        for row in block.rows
    )
    # The caption stands outside the scrolling box, so that a phone shows it whole.
    caption = f'<p class="caption">{_text(block.caption)}</p>' if block.caption else ""
    table = (
        f'<div class="scroll" tabindex="0"><table aria-label="{escape(block.caption)}"><thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table></div>\n"
    )
    if block.folded:
        return f"<details><summary>{escape(block.caption)}</summary>{table}</details>\n"
    return caption + table


def _figure(block: FigureBlock) -> str:
    return (
        f'<figure><img src="data:image/png;base64,{block.png}" alt="{escape(block.alt)}">'
        f"<figcaption>{_text(block.caption)}</figcaption></figure>\n"
    )


def _cautions(block: CautionList) -> str:
    scope = f"<p>{escape(block.scope)}</p>" if block.scope else ""
    items = "".join(f"<li>{_text(text)}</li>" for text in block.items)
    return f'<div class="cautions" role="note">{scope}<ul>{items}</ul></div>\n'


def _downloads(block: Downloads) -> str:
    items = "".join(
        f'<li><a href="{escape(quote(path))}">{escape(label)}</a>: {escape(note)}</li>'
        for path, label, note in block.items
    )
    return f'<ul class="downloads">{items}</ul>\n'


def _group(block: Group) -> str:
    return "".join(block_html(b) for b in block.blocks)


_WRITERS: dict[type[Block], Callable[[Any], str]] = {
    Heading: _heading,
    Prose: _prose,
    Sentences: _sentences,
    Answer: _answer,
    Table: _table,
    FigureBlock: _figure,
    CautionList: _cautions,
    Downloads: _downloads,
    Group: _group,
}
