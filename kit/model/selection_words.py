"""What selected terms mean for the answer, in a maker's words: what was left out, what else was as good, how much too sure."""

from __future__ import annotations

from kit.model.selection import Selection
from kit.model.surface import Surface
from kit.saying import counted, listed
from kit.words import capital

NAMED = 3
"""At most so many runners-up are spelt out."""


def selection_caution(surface: Surface) -> tuple[str, ...]:
    """Warn beside the answer that its terms were chosen by the same prints.

    Returns
    -------
    tuple of str
        Empty where terms were not selected.
    """
    found = surface.selection
    if found is None:
        return ()
    title = surface.stated.title
    left = _said(found.left_out) if found.left_out else "nothing"
    said = (
        f"Caution, optimistic: the terms of {title} were chosen by the same prints that then judge them (AICc; left out: {left}). Its "
        "intervals are too narrow and the chance is too sure: in simulations 95 % limits of a mean held about 80 times in 100. "
        "Rely on it only after confirming prints."
    )
    return (said,)


def chosen_caution(surface: Surface) -> tuple[str, ...]:
    """Warn, where nothing but the choice of terms rests on it, that they were chosen by the same prints.

    Returns
    -------
    tuple of str
        Empty where terms were not selected.
    """
    if surface.selection is None:
        return ()
    said = (
        f"Caution, optimistic: the terms named as chosen for {surface.stated.title} were picked by the same prints that then judge them "
        "(AICc). Chance picks too; print anew before you rely on one."
    )
    return (said,)


def selection_sentences(surface: Surface) -> tuple[str, ...]:
    """Say what was kept and left out, and which other choices explain the prints about as well.

    Returns
    -------
    tuple of str
        Empty where terms were not selected.
    """
    found = surface.selection
    if found is None:
        return ()
    title = surface.stated.title
    how = "all hierarchical models" if found.all_tried else "adding and dropping one term at a time"
    kept = (
        f"kept are {_said(found.kept)}" if found.kept else "no term was kept, so it is a plain mean"
    )
    said = [
        f"{capital(title)}: of {counted(found.models, 'model')} compared ({how}) the one with the least AICc was taken; {kept}."
    ]
    if found.left_out:
        said.append(
            f"Left out: {_said(found.left_out)}. That is no proof that they do nothing; the prints do not show it."
        )
    said.append(_others(found))
    return tuple(said)


def _others(found: Selection) -> str:
    if not found.near:
        return "No other model comes within 2 of its AICc."
    named = "; ".join(
        f"{_said(r.effects) or 'the mean alone'} (+{r.difference:.1f})"
        for r in found.runners_up[:NAMED]
    )
    more = "" if found.near <= NAMED else ", the nearest of them"
    return (
        f"{counted(found.near, 'other model')} within 2 of its AICc {'explains' if found.near == 1 else 'explain'} the prints about "
        f"as well{more}: {named}."
    )


def _said(names: tuple[str, ...]) -> str:
    return listed([" × ".join(_part(p) for p in name.split(":")) for name in names])


def _part(part: str) -> str:
    name, caret, power = part.partition("^")
    name = name.replace("_", " ")
    if not caret:
        return name
    return f"{name} squared" if power == "2" else f"{name} to the power {power}"
