"""The nearest right word, for messages."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

LIKENESS = 0.6
"""How alike two words must be (0 to 1) before one is offered for the other."""

SHORTEST_PART = 3
"""From so many characters a part of one single allowed word is taken for it."""

LONGEST_ECHO = 60
"""Longer finds are cut when they are shown back."""


def nearest(word: str, allowed: Iterable[str]) -> str | None:
    """Give the allowed word most like ``word``, or None when none is like it.

    Returns
    -------
    str or None

    Examples
    --------
    >>> nearest("spede", ["nozzle", "speed"])
    'speed'
    >>> nearest("Nozzle ", ["nozzle", "speed"])
    'nozzle'
    >>> nearest("full", ["full_factorial", "optimal"])
    'full_factorial'
    """
    by_plain = {_plain(a): a for a in allowed}
    plain = _plain(word[:200])
    found = get_close_matches(plain, by_plain, n=1, cutoff=LIKENESS)
    if not found and len(plain) >= SHORTEST_PART:
        found = [a for a in by_plain if plain in a]
    return by_plain[found[0]] if len(found) == 1 else None


def suggestion(word: str, allowed: Iterable[str], *, kind: str = "allowed") -> str:
    """Give the nearest right word as a question, or list what is allowed.

    Returns
    -------
    str

    Examples
    --------
    >>> suggestion("printd", ["planned", "printed", "failed"])
    "did you mean 'printed'?"
    >>> suggestion("ok", ["planned", "printed", "failed"])
    'allowed: planned, printed, failed.'
    """
    words = list(allowed)
    found = nearest(word, words)
    if found is not None:
        return f"did you mean {found!r}?"
    return f"{kind}: {', '.join(words)}." if words else f"{kind}: none."


def echo(value: object) -> str:
    """Show back what was found: text in quotes, everything else as TOML writes it, never too long.

    Returns
    -------
    str

    Examples
    --------
    >>> echo("0,4"), echo(True), echo((190, 230))
    ("'0,4'", 'true', '[190, 230]')
    """
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, tuple | list):
        text = f"[{', '.join(map(echo, value))}]"
    elif isinstance(value, str):
        text = repr(value)
    elif isinstance(value, int) and abs(value) >= 10**LONGEST_ECHO:
        text = "a number with far too many digits"  # Python refuses to write the longest ones
    else:
        text = str(value)
    return text if len(text) <= LONGEST_ECHO else f"{text[: LONGEST_ECHO - 1]}…"


def number(value: float) -> str:
    """Write a number as a maker would: no trailing zeros, no rounding that matters.

    Returns
    -------
    str

    Examples
    --------
    >>> number(190.0), number(0.1 + 0.2), number(-0.0)
    ('190', '0.3', '0')
    """
    return f"{value + 0.0:.10g}"


def _plain(word: str) -> str:
    return word.strip().casefold().replace(" ", "_").replace("-", "_")
