"""In which line of a TOML text each key stands.

`tomllib` reads the values but forgets the lines. This finder walks over a text that `tomllib` has already
accepted, so it may be simple: it only has to tell keys, strings, brackets and comments apart.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

KeyPath = tuple[str | int, ...]
"""Keys and, for arrays of tables, positions from 0: ``("factor", 1, "low")``."""

_STRING = (
    r'"""(?:\\.|[^\\])*?"{3,5}'
    r"|'''.*?'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
)
_COMMENT = r"#[^\n]*"
_VALUE_PART = re.compile(rf"(?:{_STRING})|{_COMMENT}|[\[\]{{}}\n]|[^\[\]{{}}\n\"'#]+|.", re.DOTALL)
_BETWEEN = re.compile(rf"(?:\s|{_COMMENT})*")
_KEY = re.compile(r"""[ \t]*("(?:\\.|[^"\\\n])*"|'[^'\n]*'|[^\s."'=\]]+)[ \t]*(\.?)""")


def key_lines(text: str) -> dict[KeyPath, int]:
    r"""Find the line of every table and key.

    Parameters
    ----------
    text : str
        Valid TOML.

    Returns
    -------
    dict of KeyPath to int
        Lines from 1; keys inside inline tables are not listed, the line of the table holds.

    Examples
    --------
    >>> key_lines('title = "x"\n[[factor]]\nname = "a"')
    {('title',): 1, ('factor',): 2, ('factor', 0): 2, ('factor', 0, 'name'): 3}
    """
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    at = _skip(text, 0)
    while at < len(text):
        line = text.count("\n", 0, at) + 1
        if text[at] == "[":
            is_array = text.startswith("[[", at)
            keys, end = _keys(text, at + 1 + is_array)
            table = _resolve(keys, counts)
            lines.setdefault(table, line)
            if is_array:
                counts[table] = counts.get(table, 0) + 1
                table = (*table, counts[table] - 1)
                lines[table] = line
            at = _skip(text, end + 1 + is_array)
        else:
            keys, end = _keys(text, at)
            lines.setdefault((*table, *keys), line)
            at = _skip(text, _value_end(text, end + 1))
    return lines


def line_of(lines: Mapping[KeyPath, int], path: KeyPath) -> int:
    """Give the line of a key, or of the nearest table or key that holds it; 0 when there is none."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return 0


def dotted(path: KeyPath) -> str:
    """Write a path as messages do; the second factor is ``factor[2]``.

    Returns
    -------
    str

    Examples
    --------
    >>> dotted(("factor", 1, "low")), dotted(("printer", "nozzle_max"))
    ('factor[2].low', 'printer.nozzle_max')
    """
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def _skip(text: str, at: int) -> int:
    """Give the place of the next statement, past blanks and comments."""
    match = _BETWEEN.match(text, at)
    assert match is not None  # the pattern matches nothing as well
    return match.end()


def _keys(text: str, at: int) -> tuple[tuple[str, ...], int]:
    """Read ``a.b."c d"``; give the parts and the place of what follows."""
    parts = []
    while match := _KEY.match(text, at):
        word = match.group(1)
        parts.append(word[1:-1] if word[0] in "\"'" else word)
        at = match.end()
        if not match.group(2):
            break
    return tuple(parts), at


def _value_end(text: str, at: int) -> int:
    """Give the place of the line end after a value that may hold brackets over several lines."""
    depth = 0
    for match in _VALUE_PART.finditer(text, at):
        part = match.group()
        depth += (part in ("[", "{")) - (part in ("]", "}"))
        if part == "\n" and depth <= 0:
            return match.start()
    return len(text)


def _resolve(keys: tuple[str, ...], counts: Mapping[KeyPath, int]) -> KeyPath:
    """Put the newest position after every array of tables on the way, but not after the last key."""
    path: KeyPath = ()
    for i, key in enumerate(keys):
        path = (*path, key)
        if i < len(keys) - 1 and path in counts:
            path = (*path, counts[path] - 1)
    return path
