"""A formula as a small picture, for pages that set none."""

from __future__ import annotations

from io import BytesIO

from matplotlib.mathtext import math_to_image


def draw_formula(tex: str) -> bytes | None:
    r"""Draw a formula.

    Parameters
    ----------
    tex : str
        TeX without dollar signs, of the kind that matplotlib's mathtext knows.

    Returns
    -------
    bytes or None
        A PNG file; None when mathtext does not understand the formula.

    Examples
    --------
    >>> draw_formula(r"b_0 + \sum_i b_i x_i")[1:4]
    b'PNG'
    >>> draw_formula(r"\nosuchthing{") is None
    True
    """
    target = BytesIO()
    try:
        math_to_image(f"${tex}$", target, dpi=110, format="png")
    except ValueError:
        return None
    return target.getvalue()
