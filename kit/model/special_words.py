"""What the answer has to say of a surface that was fitted in a special way: one list for page, prompt and wiki."""

from __future__ import annotations

from kit.model.limit_words import limit_sentences
from kit.model.scale_words import power_note
from kit.model.selection_words import selection_caution
from kit.model.spread_words import spread_sentences
from kit.model.surface import Surface


def special_sentences(surface: Surface) -> tuple[str, ...]:
    """Say beside the answer what rests on more than plain least squares.

    Parameters
    ----------
    surface : Surface
        As fitted.

    Returns
    -------
    tuple of str
        Empty for the usual fit.
    """
    found = () if surface.scale.is_plain else (power_note(surface.scale, surface.stated),)
    return (
        *selection_caution(surface),
        *limit_sentences(surface),
        *spread_sentences(surface),
        *filter(None, found),
    )
