"""Parts that both sheets share: head and foot, cautions, blanks to fill in, text that never breaks badly."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape

from kit.bench.cautions import Caution, scope_line
from kit.study.description import Study
from kit.words import capital as capital

_NUMBER_UNIT = re.compile(r"(\d) (°C|mm³/s|mm/s|mm|%|min|g|h|s|m)(?![\w/])")
TICK = '<span class="tick"></span>'
"""A box to tick."""


def safe(text: str) -> str:
    """Escape the user's words, and keep numbers together with their units."""
    return _NUMBER_UNIT.sub("\\1\N{NO-BREAK SPACE}\\2", escape(text))


def head(title: str, lines: Sequence[str], more: str) -> str:
    """Give the head of a sheet: title, plain lines, and HTML that is ready."""
    said = "".join(f"<p>{safe(t)}</p>\n" for t in lines if t)
    return f"<header>\n<h1>{escape(title)}</h1>\n{said}{more}</header>\n"


def caution_list(cautions: Sequence[Caution]) -> str:
    """List cautions, with a box to tick where one must have been read."""
    if not cautions:
        return ""
    items = "".join(
        f"<li>{safe(c.text)}{f' {TICK}I have read this.' if c.needs_box else ''}</li>\n"
        for c in cautions
    )
    return f'<ul class="cautions">\n{items}</ul>\n'


def foot(study: Study, cautions: Sequence[Caution]) -> str:
    """Give the foot of a sheet: more cautions, and what the parts are not for."""
    return f"<footer>\n{caution_list(cautions)}<p>{escape(scope_line(study))}</p>\n</footer>\n"


def blanks(names: Sequence[str]) -> str:
    """Give lines to write on, each with its name."""
    spans = "".join(f"<span>{escape(n)}</span>" for n in names)
    return f'<div class="blanks">{spans}</div>\n'
