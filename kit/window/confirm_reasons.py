"""Why the verdict of confirming prints is what it is, in plain sentences."""

from __future__ import annotations

from collections.abc import Mapping

from kit.saying import percent
from kit.study.description import Study
from kit.window.verdict import DOES_NOT_MEET, ConfirmedResponse
from kit.words import capital as capital

FEWEST = 3
"""With fewer prints nothing is called confirmed; common practice, no source."""


def reasons_against(
    study: Study, found: Mapping[str, ConfirmedResponse], missed: int, n: int, refuted: int
) -> list[str]:
    """Say what speaks against the settings; empty where nothing does."""
    goal = 100 * study.window.confidence
    reasons = []
    if missed >= refuted:
        reasons.append(
            f"{missed} of {n} prints clearly miss a requirement; with the {goal:g} % asked for, so many come less "
            "than once in twenty times."
        )
    for f in found.values():
        if f.verdict == DOES_NOT_MEET:
            title = capital(study.response_named(f.name).title)
            reasons.append(
                f"{title}: mean and scatter of these prints alone speak for a chance below {goal:g} % "
                f"(at most {percent(f.chance_high)})."
            )
    return reasons


def open_points_of(
    study: Study,
    found: Mapping[str, ConfirmedResponse],
    missed: int,
    doubtful: int,
    n: int,
    most: int,
) -> list[str]:
    """Say what leaves the verdict open; empty where nothing does."""
    reasons = []
    if n < FEWEST:
        reasons.append(
            f"{n} confirming print{'s are' if n > 1 else ' is'} too few: {FEWEST} or more are needed."
        )
    if missed + doubtful > most:
        parts = (
            [f"{missed} clearly miss{'es' if missed == 1 else ''} a requirement"] if missed else []
        )
        parts += (
            [f"{doubtful} lie{'s' if doubtful == 1 else ''} too near to a limit to tell"]
            if doubtful
            else []
        )
        allowed = f"at most {most}" if most else "none"
        reasons.append(
            f"Of {n} prints {' and '.join(parts)}; {allowed} would be in line with what was foretold."
        )
    for f in found.values():
        if f.towards_limit:
            title = capital(study.response_named(f.name).title)
            reasons.append(
                f"{title}: the mean of these prints lies nearer to a limit than the fitted surface foretold."
            )
    return reasons
