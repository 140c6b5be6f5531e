"""Plain text made safe for each wiki: what comes out reads on the page exactly as it went in.

Words that no engine can misread stay as they are, so that the stored text is readable; every other word is
escaped. Fuzz tests against the real engines hold this.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable

_PLAIN = re.compile(
    r"\(?[°−]?[^\W_]+(?:[.,·/-][^\W_]+)*(?:[°%²³µ])?\)?[.,;:?]?|[°%–−×…]\)?[.,;:?]?", re.UNICODE
)
_SPACES = re.compile(r"[ \t\r\n\f\v\u2028\u2029]+")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ufeff\ufffe\uffff\ud800-\udfff]")

_WIKI_SIGNS = frozenset("[]{}|'~<>&_*#:;=!-+\"/\\^%@$()`?.")
_MAGIC_LINK = re.compile(r"(?<![^\W_])(ISBN|RFC|PMID) ")
_MAGIC_WORD = {"ISBN", "RFC", "PMID"}

_DOKU_ODD = re.compile(
    r"FIXME|DELETEME|LOL|\((?:c|r|tm)\)|^www\.|^ftp\.|\d[xX]\d|^m\(|^8-|^0-", re.IGNORECASE
)
_DOKU_CASE = re.compile(r"[A-Z]+[a-z]+[A-Z]")

_ASCII_SIGNS = re.compile(r"([!-$&-+\-./:-@\[-`{-~])")


def clean_text(text: str) -> str:
    r"""Give text as every engine stores it: composed letters, plain blanks, no control characters.

    Returns
    -------
    str

    Examples
    --------
    >>> clean_text("a\r\n  b\x07")
    'a b'
    """
    composed = unicodedata.normalize("NFC", text)
    return _SPACES.sub(" ", _CONTROL.sub("", composed)).strip(" ")


def normal_text(text: str) -> str:
    """Give a page's text as every engine stores it, so that it can be compared with what comes back.

    Returns
    -------
    str
        Composed letters, line feeds, no control characters, no blanks at line ends, no line end at the end.
    """
    composed = unicodedata.normalize("NFC", text.replace("\r\n", "\n").replace("\r", "\n"))
    lines = _CONTROL.sub("", composed).split("\n")
    return "\n".join(line.rstrip(" \t") for line in lines).rstrip("\n")


def mediawiki_text(text: str) -> str:
    """Escape text for MediaWiki: a numeric entity for every sign that could be markup.

    Parameters
    ----------
    text : str
        Any text, one paragraph.

    Returns
    -------
    str

    Examples
    --------
    >>> mediawiki_text("P>|t| of [[x]] is 0.05.")
    'P&#62;&#124;t&#124; of &#91;&#91;x&#93;&#93; is 0.05.'
    """
    words: list[str] = []
    for word in clean_text(text).split(" "):
        numbered = bool(words) and words[-1] in _MAGIC_WORD
        if _PLAIN.fullmatch(word) and not _autolinked(word):
            words.append(word)
        else:
            words.append("".join(f"&#{ord(c)};" if c in _WIKI_SIGNS else c for c in word))
        if numbered:  # "RFC 2119" would become a link to a site elsewhere
            words[-2:] = [f"{words[-2]}&#32;{words[-1]}"]
    return " ".join(words)


def dokuwiki_text(text: str) -> str:
    """Escape text for DokuWiki: ``%%`` around words that could be markup or typography.

    Parameters
    ----------
    text : str
        Any text, one paragraph.

    Returns
    -------
    str

    Examples
    --------
    >>> dokuwiki_text("5 % of [[x]] || y")
    '5 <nowiki>%</nowiki> of %%[[x]] ||%% y'
    """
    parts: list[str] = []
    odd: list[str] = []
    for word in clean_text(text).split(" "):
        if _PLAIN.fullmatch(word) and "%" not in word and not _odd_in_dokuwiki(word):
            parts += [*_quoted(odd), word]
            odd = []
        else:
            odd.append(word)
    return " ".join([*parts, *_quoted(odd)])


def markdown_text(text: str) -> str:
    r"""Escape text for Markdown with tables: a backslash before every sign that could be markup.

    Parameters
    ----------
    text : str
        Any text, one paragraph.

    Returns
    -------
    str

    Examples
    --------
    >>> markdown_text("*a* | <b>, 5 %")
    '\\*a\\* \\| \\<b\\>, 5 %'
    """
    words: list[str] = []
    for word in clean_text(text).split(" "):
        if (
            _PLAIN.fullmatch(word)
            and not _numbered_item(word, first=not words)
            and not _autolinked(word)
        ):
            words.append(word)
        else:
            words.append(_ASCII_SIGNS.sub(r"\\\1", word))
    return " ".join(words)


def code_span(text: str, fence: Callable[[int], str]) -> str:
    """Put code between fences longer than any run of backticks in it."""
    longest = max((len(run) for run in re.findall("`+", text)), default=0)
    marks = fence(longest + 1)
    pad = " " if text.startswith("`") or text.endswith("`") else ""
    return f"{marks}{pad}{text}{pad}{marks}"


def _quoted(words: list[str]) -> list[str]:
    if not words:
        return []
    pieces = re.split("(%+)", " ".join(words))
    text = "".join(
        f"<nowiki>{p}</nowiki>" if p.startswith("%") else f"%%{p}%%" if p else "" for p in pieces
    )
    return [text]


def _odd_in_dokuwiki(word: str) -> bool:
    return bool(_DOKU_ODD.search(word) or _DOKU_CASE.search(word))


def _autolinked(word: str) -> bool:
    return word.lower().startswith(("www.", "ftp.", "http", "mailto"))


def _numbered_item(word: str, *, first: bool) -> bool:
    return first and bool(re.fullmatch(r"\d+[.)]", word))
