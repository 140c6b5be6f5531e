"""A last look at everything that leaves the house: secrets, home folders, addresses of people."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

_PATTERNS = (
    (
        "the home folder of a machine",
        re.compile(r"(?:/home/|/Users/|/root/|[A-Za-z]:\\{1,2}Users\\{1,2})[^\s\"'<>,;)\\/]*"),
    ),
    ("an e-mail address", re.compile(r"\b[\w.+-]+@[\w-]+(?:\.[\w-]+)*\.[a-zA-Z]{2,}\b")),
    ("a private key", re.compile(r"-----BEGIN [A-Z ]*PRIVATE KEY-----")),
    (
        "what looks like a password",
        re.compile(
            r"(?i)\b(?:password|passwd|secret|api[_-]?key|token)\s*[=:]\s*[\"']?[^\s\"',;]{6,}"
        ),
    ),
)
_TEXT = {"csv", "toml", "json", "ipynb", "svg", "txt", "md", "wiki"}
_PICTURES = re.compile(r"(?:data:image/png;base64,|\"image/png\": \")[A-Za-z0-9+/=\\n]+")


def findings(texts: Mapping[str, str], secrets: Iterable[str] = ()) -> list[str]:
    """List what should not be published.

    Parameters
    ----------
    texts : mapping of name to text
        Everything that will be sent.
    secrets : iterable of str
        Texts that may stand nowhere; they are not repeated in the answer.

    Returns
    -------
    list of str
        One finding each: where, what, the text found.
    """
    found = []
    for name, text in texts.items():
        bare = _PICTURES.sub("", text)
        found += [f"{name}: holds the wiki's password" for s in secrets if s and s in text]
        for what, pattern in _PATTERNS:
            for hit in dict.fromkeys(m[0] for m in pattern.finditer(bare)):
                shown = hit[:3] + "..." if "password" in what or "key" in what else hit
                found.append(f"{name}: holds {what}: {shown}")
    return found


def readable(name: str, data: bytes) -> str | None:
    """Give a file as text where it is of a kind that people write into."""
    if name.rsplit(".", 1)[-1] not in _TEXT:
        return None
    return data.decode("utf-8", "replace")


def spreadsheet_risks(name: str, text: str) -> list[str]:
    """List cells that a spreadsheet would run as a formula.

    Parameters
    ----------
    name : str
        File name.
    text : str
        A CSV file.

    Returns
    -------
    list of str
    """
    risks = []
    for number, line in enumerate(text.splitlines(), 1):
        for cell in re.split(r"[,;\t]", line):
            bare = cell.strip().strip('"')
            if bare[:1] in ("=", "@") or (
                bare[:1] in ("+", "-") and not re.fullmatch(r"[+-]?[\d.,eE+-]*", bare)
            ):
                risks.append(f"{name}:{number}: a spreadsheet may read {bare[:20]!r} as a formula")
    return risks
