"""Failed prints on the page: how likely a print comes out at the settings of the answer, and what makes it fail."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kit.analysis import Analysis
from kit.model.pass_fail import outcome_surfaces
from kit.model.success import Success, chance_at
from kit.saying import counted, percent
from kit.study.description import COMES_OUT
from kit.window.whatif import what_if

FEW_FAILURES = 3
"""With fewer failed prints the chance of success is hardly known (common practice, no source)."""


def success_notes(analysis: Analysis) -> list[str]:
    """Say how likely a print comes out at the settings of the answer; nothing when no print failed."""
    found, settings = _found(analysis)
    if found is None or settings is None:
        return []
    chance, low, high = _counted_chance(analysis) or chance_at(found, settings)
    text = (
        f"A print at these settings comes out at all with a chance of {percent(chance)} ({percent(low)} to {percent(high)}), judged by "
        f"{counted(found.failures, 'failed print')} of {len(found.came_out)}; {_counted(analysis, settings)}"
    )
    if found.failures < FEW_FAILURES:
        text += " So few failures hardly tell which settings make prints fail."
    return [text]


def _counted_chance(analysis: Analysis) -> tuple[float, float, float] | None:
    """Give the chance that counts in the answer, with its limits; None where failed prints do not count."""
    window = analysis.window
    choice = window and window.choice
    if not choice or COMES_OUT not in choice.predictions:
        return None
    counted = choice.predictions[COMES_OUT]
    return counted.mean, counted.low, counted.high


def _counted(analysis: Analysis, settings: Mapping[str, float | str]) -> str:
    """Say whether failed prints are part of the chance, and what it would be with them."""
    study = analysis.study
    if study.window.failed_prints:
        return "the chance to meet the requirements counts those that fail."
    text = "the chance to meet the requirements speaks of those that come out."
    choice = analysis.choice
    if not choice or not choice.alone:
        return text
    window = study.window.model_copy(update={"failed_prints": True})
    counting = study.model_copy(update={"window": window})
    outcomes, _ = outcome_surfaces(analysis.measured, analysis.data.runs, counting)
    what = what_if({**analysis.surfaces, **outcomes}, counting, settings)
    if what is None:
        return text
    return (
        f"{text[:-1]}: with failed prints counted as not met it would be {percent(what.probability)} "
        "(failed_prints = true under [window] asks for settings by that)."
    )


def success_numbers(analysis: Analysis) -> dict[str, Any]:
    """Give the success surface for ``results.json``; nothing when no print failed."""
    found, settings = _found(analysis)
    if found is None:
        return {}
    numbers: dict[str, Any] = {
        "prints": len(found.came_out),
        "failures": found.failures,
        "log_odds": {
            t.name: float(b) for t, b in zip(found.terms, found.coefficients, strict=True)
        },
    }
    if settings is not None:
        at = dict(zip(("probability", "low", "high"), chance_at(found, settings), strict=True))
        numbers["at_answer"] = at
    return {"success": numbers}


def _found(analysis: Analysis) -> tuple[Success | None, Mapping[str, float | str] | None]:
    window = analysis.window
    choice = window.choice if window else None
    return analysis.success, choice.settings if choice else None
