"""What next: move, add runs, confirm or stop, with the reason, the runs and what they cost.

A suggestion, never an order: nothing is written unless somebody asks for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kit.model.surface import Surface
from kit.printer import NOT_POSSIBLE, assess_prints
from kit.saying import listed, percent
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.choice import ChanceAt
from kit.window.confirm import FEWEST, USUAL
from kit.window.gain import chosen_runs, expected_chance
from kit.window.notes import LACK_OF_FIT, spoken
from kit.window.outwards import outward_ends, printable_at, rise_of_chance
from kit.window.probability import chance_to_meet, with_limits
from kit.window.result import Choice, Setting, Window
from kit.window.steepest import Ascent, steepest_ascent
from kit.window.verdict import MEETS, UNDECIDED, Confirmation

MOVE, ADD, CONFIRM, STOP = "move", "add", "confirm", "stop"

FURTHER = 6
"""Runs of a further round; common practice, no source."""

STEPS = (0.25, 0.5, 0.75, 1.0)
"""Half-ranges that a path goes beyond its start; common practice, no source."""


WORTH = 0.02
"""A gain in the chance that is worth a round."""


@dataclass(frozen=True)
class Suggestion:
    """What to do next.

    Attributes
    ----------
    action : str
        move | add | confirm | stop.
    reason : str
        Why, in plain sentences.
    runs : DataFrame
        Settings to print, one row a run; none for stop.
    grams, hours : float or None
        What they cost; None where the study does not say enough.
    chance_now, chance_then : float or None
        Best chance now, and expected after these runs where that can be foretold.
    notes : tuple of str
        How sure the direction is, and the like.
    """

    action: str
    reason: str
    runs: pd.DataFrame
    grams: float | None = None
    hours: float | None = None
    chance_now: float | None = None
    chance_then: float | None = None
    notes: tuple[str, ...] = ()


def suggest_next(
    surfaces: Mapping[str, Surface],
    study: Study,
    window: Window,
    confirmation: Confirmation | None,
) -> Suggestion:
    """Suggest what to do after a finished round.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        The fit.
    study : Study
        Requirements, steps, stops.
    window : Window
        The answer.
    confirmation : Confirmation or None
        The verdict of the confirming prints.

    Returns
    -------
    Suggestion

    Notes
    -----
    Confirm what is recommended, unless a significant lack of fit speaks against the surface. Where nothing reaches the
    confidence: move when the best setting lies at an end of what was tried and the chance still rises outwards; add
    runs where they are expected to raise the best chance; stop otherwise. The order is common practice (sequential
    experimentation), the thresholds are stated in this module.
    """
    limited = with_limits(surfaces)
    if not limited or not len(window.grid):
        return _stop("No requirement is stated, so there is nothing to reach.")

    def chance(coded: FloatArray) -> FloatArray:
        # At home: beyond what was tried an average over printers is 0 by definition.
        return chance_to_meet(surfaces, coded)

    if window.recommended is not None:
        return _after_window(surfaces, study, window, window.recommended, confirmation, chance)
    best = _best_setting(window)
    now = float(window.grid["probability"].max())
    outwards = outward_ends(study, window, best, chance)
    if outwards:
        moved = _move(surfaces, study, window, best, outwards, chance, now)
        if moved is not None:
            return moved
    added = _add(surfaces, study, window, now, "", chance)
    if added.chance_then is not None and added.chance_then >= now + WORTH:
        return added
    high = window.best_compromise.high if window.best_compromise else now
    if added.chance_then is None and high >= study.window.confidence:
        return added
    return _give_way(study, window, now)


def _after_window(
    surfaces: Mapping[str, Surface],
    study: Study,
    window: Window,
    choice: Choice,
    confirmation: Confirmation | None,
    chance: ChanceAt,
) -> Suggestion:
    now = choice.probability
    verdict = confirmation if confirmation is not None and confirmation.at_recommended else None
    if verdict is not None and verdict.withdraws:
        reason = (
            "The confirming prints speak against the window: the surface is off here, or something changed since the first "
            "prints. First look for what changed (spool, moisture, room, nozzle). Then print a further round around these settings."
        )
        return _add(surfaces, study, window, now, reason, chance)
    poor = [
        s.stated.title
        for s in with_limits(surfaces).values()
        if s.lack_of_fit is not None and s.lack_of_fit.p < LACK_OF_FIT
    ]
    if poor and verdict is None:
        reason = (
            f"The surface of {listed(poor)} misses the prints by more than prints made alike differ. Further runs near the "
            "recommended settings show whether it holds there; confirming prints would tell only of one setting."
        )
        return _add(surfaces, study, window, now, reason, chance)
    if verdict is not None and verdict.verdict == MEETS:
        return _stop(
            f"The settings are confirmed by {verdict.prints} new prints. Nothing more is needed within the scope that the "
            "study states.",
            now,
        )
    more = verdict is not None and verdict.verdict == UNDECIDED
    prints = max(FEWEST, USUAL)
    reason = (
        "The confirming prints leave it open; as many again, on another day, may decide it."
        if more
        else "The settings reach the chance asked for, but only by a fitted surface: new prints on another day show whether they hold."
    )
    runs = pd.DataFrame([dict(choice.settings) for _ in range(prints)])
    return _with_cost(study, Suggestion(CONFIRM, reason, runs, chance_now=now))


def _stop(reason: str, now: float | None = None) -> Suggestion:
    return Suggestion(STOP, reason, pd.DataFrame(), chance_now=now)


def _give_way(study: Study, window: Window, now: float) -> Suggestion:
    goal = 100 * study.window.confidence
    helpful = [r for r in window.relaxations if r.needed is not None]
    reason = (
        f"The best chance is {percent(now)}, not at an end of what was tried, and more runs are not expected to raise it to "
        f"{goal:g} %: it is the scatter and the requirements, not doubt, that stand in the way."
    )
    if helpful:
        names = listed(list(dict.fromkeys(study.response_named(r.response).title for r in helpful)))
        reason += (
            f" Give way on {names} as the table of limits says, or find what makes prints scatter."
        )
    return _stop(reason, now)


def _best_setting(window: Window) -> dict[str, Setting]:
    row = int(window.grid["probability"].to_numpy().argmax())
    best: dict[str, Setting] = {}
    for name in window.steps:
        value = window.grid[name].iloc[row]
        best[name] = value if isinstance(value, str) else float(value)
    return best


def _move(
    surfaces: Mapping[str, Surface],
    study: Study,
    window: Window,
    best: Mapping[str, Setting],
    outwards: list[tuple[str, float]],
    chance: ChanceAt,
    now: float,
) -> Suggestion | None:
    """Lay a path outwards along the steepest rise of the chance; None where no print can be made there."""
    at = study.coding.code({n: [best[n]] for n in study.coding.names})[0]
    direction = rise_of_chance(study, at, chance)
    if not np.any(np.abs(direction) > 0):
        return None
    direction = direction / np.abs(direction).max()
    rows = [dict(best)]
    for t in STEPS:
        row = printable_at(study, at + t * direction, best)
        if row is not None and row not in rows:
            rows.append(row)
    runs = _possible(study, pd.DataFrame(rows))
    if len(runs) < 2:
        return None
    sides = listed([f"{spoken(n)} ({'high' if s > 0 else 'low'} end)" for n, s in outwards])
    reason = (
        f"The best setting lies at an end of what was tried for {sides}, and the chance still rises beyond it. Print a few settings on the "
        "path along which it rises fastest, and go on from the best of them."
    )
    notes = [_cone_note(surfaces, study, window, at)]
    notes.append(
        "What lies beyond the tried settings is a guess; look at each print before the next."
    )
    found = Suggestion(MOVE, reason, runs, chance_now=now, notes=tuple(n for n in notes if n))
    return _with_cost(study, found)


def _possible(study: Study, runs: pd.DataFrame) -> pd.DataFrame:
    """Leave out what this printer cannot do."""
    verdicts = assess_prints(study, runs).table["verdict"]
    return runs[(verdicts != NOT_POSSIBLE).to_numpy()].reset_index(drop=True)


def _cone_note(
    surfaces: Mapping[str, Surface], study: Study, window: Window, at: FloatArray
) -> str:
    choice = window.best_compromise
    fitted = [n for n, s in with_limits(surfaces).items() if s.success is None]
    if not fitted:
        return ""
    name = choice.binding if choice is not None and choice.binding in fitted else fitted[0]
    surface = surfaces[name]
    mean = float(surface.mean(at[None])[0])
    lower = surface.response.lower
    sign = 1.0 if lower is not None and mean < lower + _room(surface) else -1.0
    found: Ascent = steepest_ascent(surface, at, sign=sign)
    title = surface.stated.title
    if found.half_angle is None:
        return f"{title}: its slope here may be chance, so the direction is not sure; no direction is excluded with 95 % confidence."
    return f"{title}: the direction in which it changes fastest is known to about {found.half_angle:.0f} degrees either way (95 % confidence)."


def _room(surface: Surface) -> float:
    """Give half the allowed span, so that the nearer limit is the one that counts."""
    low, high = surface.response.lower, surface.response.upper
    return np.inf if low is None or high is None else (high - low) / 2


def _add(
    surfaces: Mapping[str, Surface],
    study: Study,
    window: Window,
    now: float,
    reason: str,
    chance: ChanceAt,
) -> Suggestion:
    """Add runs where they narrow the doubt of the most promising settings."""
    runs = _possible(study, chosen_runs(surfaces, study, window, FURTHER))
    then = expected_chance(surfaces, study, window, runs) if len(runs) else None
    if then is not None:
        then = max(then, now)
    text = reason or (
        f"No setting reaches {100 * study.window.confidence:g} % yet, but the chance is held down by what the fit does not know. Runs "
        "where the doubt about the most promising settings is largest would narrow it."
    )
    return _with_cost(study, Suggestion(ADD, text, runs, chance_now=now, chance_then=then))


def _with_cost(study: Study, found: Suggestion) -> Suggestion:
    if found.runs.empty:
        return found
    table = assess_prints(study, found.runs).table
    grams = float(table["grams"].sum()) if table["grams"].notna().all() else None
    hours = float(table["minutes"].sum()) / 60 if table["minutes"].notna().all() else None
    return replace(found, grams=grams, hours=hours)
