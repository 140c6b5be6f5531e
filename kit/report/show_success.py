"""Failed prints on the page: how likely a print comes out at the settings of the answer, and what makes it fail."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kit.analysis import Analysis
from kit.model.success import Success, chance_at, success_surface
from kit.report.wording import count, percent

FEW_FAILURES = 3
"""With fewer failed prints the chance of success is hardly known (common practice, no source)."""


def success_notes(analysis: Analysis) -> list[str]:
    """Say how likely a print comes out at the settings of the answer; nothing when no print failed."""
    found, settings = _found(analysis)
    if found is None or settings is None:
        return []
    chance, low, high = chance_at(found, settings)
    text = (
        f"A print at these settings comes out at all with a chance of {percent(chance)} ({percent(low)} to {percent(high)}), judged by "
        f"{count(found.failures, 'failed print')} of {len(found.came_out)}; the chance to meet the requirements speaks of those that come out."
    )
    if found.failures < FEW_FAILURES:
        text += " So few failures hardly tell which settings make prints fail."
    return [text]


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
    choice = None if window is None else window.recommended or window.best_compromise
    found = success_surface(analysis.data.runs, analysis.study)
    return found, choice.settings if choice else None
