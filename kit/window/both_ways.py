"""The answer both ways: as it stands, and without what a check found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from kit.window.result import Choice, Window


@dataclass(frozen=True)
class OtherWay:
    """The answer if what a check found is taken out.

    Attributes
    ----------
    what : str
        In words, such as ``without run 07`` or ``with the drift over print order taken out``.
    why : str
        Which response and check asked for it.
    choice : Choice or None
        What would be recommended, or the best compromise; None where nothing is required.
    reached : bool
        Whether some setting then reaches the confidence.
    at_answer : float
        The chance there at the settings recommended as things stand; missing where these are not in the
        grid then.
    """

    what: str
    why: str
    choice: Choice | None
    reached: bool
    at_answer: float

    def differs_from(self, window: Window) -> bool:
        """Tell whether it would change what is recommended, or whether anything is."""
        mine, theirs = self.choice, window.choice
        if self.reached != (window.recommended is not None) or (mine is None) != (theirs is None):
            return True
        return (
            mine is not None and theirs is not None and dict(mine.settings) != dict(theirs.settings)
        )


def other_way(what: str, why: str, found: Window, window: Window) -> OtherWay:
    """Set an answer beside the one that stands.

    Parameters
    ----------
    what, why : str
        As for `OtherWay`.
    found : Window
        With something taken out.
    window : Window
        As things stand.

    Returns
    -------
    OtherWay
    """
    standing = window.choice
    return OtherWay(
        what=what,
        why=why,
        choice=found.choice,
        reached=found.recommended is not None,
        at_answer=_chance_at(found, standing.settings) if standing else float("nan"),
    )


def _chance_at(window: Window, settings: Mapping[str, float | str]) -> float:
    grid = window.grid
    for name, value in settings.items():
        column = grid[name]
        same = column == value if isinstance(value, str) else (column - value).abs() < 1e-9
        grid = grid[same]
    return float(grid["probability"].iloc[0]) if len(grid) else float("nan")
