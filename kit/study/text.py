"""Bytes of a file into text, or the reason why not."""

from __future__ import annotations

from kit.errors import Problem

_REMEDY = 'save it again as "CSV UTF-8" or plain text with encoding UTF-8.'
_MARKS = {
    b"\xff\xfe": "UTF-16 text",
    b"\xfe\xff": "UTF-16 text",
    b"PK\x03\x04": "a spreadsheet workbook or another zip file",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet workbook",
    b"%PDF": "a PDF page",
}


def decode_text(data: bytes, file: str) -> tuple[str | None, Problem | None]:
    """Read UTF-8, with or without a byte-order mark.

    Parameters
    ----------
    data : bytes
        The whole file.
    file : str
        Its name, for the problem.

    Returns
    -------
    text : str or None
        None when it is not UTF-8 text.
    problem : Problem or None
        Names the first line that cannot be read and what to do.
    """
    for mark, what in _MARKS.items():
        if data.startswith(mark):
            return None, Problem(file, 0, "", f"this is {what}, not UTF-8 text; {_REMEDY}")
    if b"\0" in data:
        row = data.count(b"\n", 0, data.index(b"\0")) + 1
        text = "found a zero byte: this is UTF-16 or no text at all"
        return None, Problem(file, row, "", f"{text}; {_REMEDY}")
    try:
        return data.decode("utf-8-sig"), None
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        byte = data[error.start : error.start + 1]
        guess = byte.decode("cp1252", errors="replace")
        text = f"byte 0x{byte.hex().upper()} is not UTF-8 (in an older Windows encoding it would be {guess!r})"
        return None, Problem(file, row, "", f"{text}; {_REMEDY}")
