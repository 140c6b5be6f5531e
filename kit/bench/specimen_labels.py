"""Labels for specimens: short, coded, blind to the settings, with a check character and no look-alike letters.

The check is a weighted sum modulo 23, a prime: it catches every single wrong character and every two that
changed places (the principle of ISO 7064 and of the old book numbers; the alphabet is our own).
"""

from __future__ import annotations

from html import escape
from io import BytesIO

import numpy as np
import pandas as pd

from kit.bench.sheet_style import page
from kit.design.order import specimen_label
from kit.study.description import Study

ALPHABET = "34679ACDEFGHJKLMNPRTWXY"
"""23 characters; left out are 0 O Q, 1 I, 2 Z, 5 S, 8 B, U and V, which are taken for one another."""
LENGTH = 3
"""Characters before the check character: 12 167 labels."""
STYLE = """
<style>
.labels { display: grid; grid-template-columns: repeat(4, 1fr); gap: 0; }
.labels div { border: 0.2mm dashed #6b7280; height: 24mm; display: flex; align-items: center; gap: 3mm; padding: 2mm; break-inside: avoid; }
.labels svg { width: 17mm; height: 17mm; flex: none; }
.labels b { font: 700 17pt/1 "DejaVu Sans Mono", monospace; letter-spacing: 0.5mm; }
</style>
"""


def check_character(text: str) -> str:
    """Give the character that completes a label.

    Parameters
    ----------
    text : str
        Characters of `ALPHABET`, at most 21.

    Returns
    -------
    str

    Examples
    --------
    >>> check_character("K7A")
    'L'
    """
    total = sum((i + 2) * ALPHABET.index(c) for i, c in enumerate(text))
    return ALPHABET[-total % len(ALPHABET)]


def is_label(text: str) -> bool:
    """Tell whether a label was copied without a slip.

    Returns
    -------
    bool

    Examples
    --------
    >>> is_label("K7A" + check_character("K7A")), is_label("7KA" + check_character("K7A"))
    (True, False)
    """
    text = text.strip().upper()
    known = len(text) == LENGTH + 1 and all(c in ALPHABET for c in text)
    return known and check_character(text[:-1]) == text[-1]


def label_table(study: Study, runs: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Give every specimen a label.

    Parameters
    ----------
    study : Study
        Specimens a print.
    runs : DataFrame
        The runs table; failed runs get none.
    rng : Generator
        Source of chance; labels tell nothing of run or settings.

    Returns
    -------
    DataFrame
        Columns ``label``, ``run``, ``specimen``: the key, to be kept away from whoever measures.
    """
    kept = runs[runs["status"] != "failed"].sort_values("print_order")
    pieces = [
        (str(run), specimen_label(i))
        for run in kept["run"]
        for i in range(study.specimen.specimens_per_print)
    ]
    numbers = rng.choice(len(ALPHABET) ** LENGTH, size=len(pieces), replace=False)
    labels = [_label(int(n)) for n in numbers]
    return pd.DataFrame(
        {"label": labels, "run": [r for r, _ in pieces], "specimen": [s for _, s in pieces]}
    )


def _label(number: int) -> str:
    text = ""
    for _ in range(LENGTH):
        number, rest = divmod(number, len(ALPHABET))
        text += ALPHABET[rest]
    return text + check_character(text)


def label_sheet(study: Study, table: pd.DataFrame, *, codes: bool = True) -> str:
    """Lay out the labels to print, cut and stick on, with a 2-D code each.

    Parameters
    ----------
    study : Study
        For the heading.
    table : DataFrame
        As `label_table` gives it.
    codes : bool, default True
        Draw the 2-D codes, which needs the extra ``labels``.

    Returns
    -------
    str
        A whole HTML page. The labels stand in alphabetical order, which tells nothing of the print order.

    Raises
    ------
    ModuleNotFoundError
        If codes are wanted and the library for them is not installed.
    """
    cells = "".join(
        f"<div>{_code(label) if codes else ''}<b>{escape(label)}</b></div>\n"
        for label in sorted(table["label"])
    )
    how = (
        "Cut along the dashed lines. Stick each on the specimen that labels.csv names, never on a face that is measured; whoever measures "
        "should not see labels.csv. The last character is a check: a label copied with a slip is noticed."
    )
    body = f'{STYLE}<header><h1>Labels: {escape(study.title)}</h1><p>{how}</p></header>\n<div class="labels">\n{cells}</div>\n'
    return page(f"Labels: {escape(study.title)}", "Labels", body)


def _code(label: str) -> str:
    """Draw one 2-D code as SVG (ISO/IEC 18004), by the library of the extra ``labels``."""
    import segno

    out = BytesIO()
    segno.make(label, error="m", micro=False).save(
        out, kind="svg", xmldecl=False, svgns=True, border=2, nl=False, omitsize=True
    )
    return out.getvalue().decode("utf-8")
