"""TOML that does not parse: every line at fault, not only the first, each with a hint.

`tomllib` stops at its first error. Most slips stay within one line (text without quotes, a decimal comma,
a unit behind a number), so the line is noted, neutralised and the rest read again. What such a line would
have said counts as unknown afterwards.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from typing import Any

from kit.study.nearest import echo

MOST_REPAIRS = 200

_PLACE = re.compile(r" \(at (?:line (\d+), column \d+|end of document)\)$")
_ASSIGNMENT = re.compile(r"^\s*(?P<key>[A-Za-z0-9_-]+)\s*=\s*(?P<value>[^#]*?)\s*(?:#.*)?$")
_COLON = re.compile(r"^\s*[A-Za-z0-9_-]+\s*:\s*\S")
_HINTS: tuple[tuple[re.Pattern[str], str], ...] = (
    (re.compile(r"^$"), "no value after =; write one, or delete the line"),
    (re.compile(r"^(?P<a>[+-]?\d+),(?P<b>\d+)$"), r"a decimal comma; write \g<a>.\g<b>"),
    (
        re.compile(r"^(?P<a>[+-]?\d+(?:\.\d+)?)\s*(?:[^\W\d_]|[°%]).*$"),
        r"write the number alone: \g<a>",
    ),
    (re.compile(r"^true$|^false$", re.IGNORECASE), "write true or false in small letters"),
    (re.compile(r"^(?P<a>[+-]?)(?P<b>\.\d+)$"), r"write a digit before the point: \g<a>0\g<b>"),
    (re.compile(r"^(?P<a>[+-]?\d+)\.$"), r"write a digit after the point: \g<a>.0"),
    (re.compile(r"^(?P<a>[+-]?)0+(?P<b>\d.*)$"), r"no zeros in front: \g<a>\g<b>"),
    (
        re.compile("[\u201c\u201d\u201e\u00ab\u00bb\u2018\u2019]"),
        'typographic quotes; write straight ones: "',
    ),
    (re.compile(r"^(?P<a>[^\W\d][^\"'\[\]{}]*)$"), r'text goes in quotes: "\g<a>"'),
)


@dataclass
class Parsed:
    """What could be read of a TOML text.

    Attributes
    ----------
    raw : dict or None
        The values; None when an error could not be kept to its line.
    text : str
        The text as it was read in the end, same lines as the original.
    faults : list of (int, str, str)
        Line, key (empty when unknown), and what is wrong with it.
    lines : set of int
        Lines whose values are unknown.
    """

    raw: dict[str, Any] | None
    text: str
    faults: list[tuple[int, str, str]] = field(default_factory=list)
    lines: set[int] = field(default_factory=set)


def parse_toml(text: str) -> Parsed:
    r"""Read TOML and collect all faults of its lines.

    Parameters
    ----------
    text : str
        The whole file.

    Returns
    -------
    Parsed

    Examples
    --------
    >>> for line, key, text in parse_toml("low = 0,4\nstep = 5 mm\nhigh = 1").faults:
    ...     print(line, key, text)
    1 low found 'low = 0,4': a decimal comma; write 0.4.
    2 step found 'step = 5 mm': write the number alone: 5.
    """
    parsed = Parsed(None, text.replace("\r\n", "\n"))
    for _ in range(MOST_REPAIRS):
        try:
            parsed.raw = tomllib.loads(parsed.text)
        except tomllib.TOMLDecodeError as error:
            if not _repair(parsed, str(error)):
                return parsed
        except (ValueError, RecursionError):
            parsed.faults.append(
                (0, "", "a number with far too many digits, or brackets nested too deep.")
            )
            return parsed
        else:
            return parsed
    return parsed


def _repair(parsed: Parsed, message: str) -> bool:
    """Note the fault and take the line out; tell whether reading on makes sense."""
    place = _PLACE.search(message)
    reason = message[: place.start()] if place else message
    lines = parsed.text.split("\n")
    if place and place.group(1):
        line = int(place.group(1))
    else:
        line = max((i for i, content in enumerate(lines, start=1) if content.strip()), default=1)
    content = lines[line - 1]
    match = _ASSIGNMENT.match(content)
    parsed.faults.append((line, match["key"] if match else "", _explain(content, reason)))
    if content.lstrip().startswith("[") or (line in parsed.lines and match is None):
        return False
    # First a stand-in, so that the key is known to be there; if even that fails, nothing.
    stand_in = f"{match['key']} = 0" if match and "overwrite" not in reason else ""
    if line in parsed.lines:
        parsed.faults.pop()
        stand_in = ""
    parsed.lines.add(line)
    lines[line - 1] = stand_in
    parsed.text = "\n".join(lines)
    return True


def _explain(content: str, reason: str) -> str:
    if reason.startswith("Cannot overwrite a value"):
        return "this key is given twice; delete one of the two."
    if reason.startswith("Cannot declare"):
        return f"the section {content.strip()} stands here for the second time; join the two, or write [[ ]] for a list."
    if reason.startswith("Unescaped '\\'"):
        return "a backslash in double quotes; put the text in single quotes."
    if _COLON.match(content):
        return "write = between key and value, not a colon."
    match = _ASSIGNMENT.match(content)
    for pattern, hint in _HINTS if match else ():
        found = pattern.search(match["value"]) if match else None
        if found:
            return f"found {echo(content.strip())}: {found.expand(hint)}."
    return f"cannot be read ({reason[:1].lower()}{reason[1:]}); found {echo(content.strip())}."
