"""The confirmation as it stands in ``results.json``."""

from __future__ import annotations

from typing import Any

from kit.analysis import Analysis
from kit.window.verdict import Confirmation, ConfirmedResponse


def confirmation_numbers(analysis: Analysis) -> dict[str, Any] | None:
    """Give the object ``confirmation``; None as long as there is no verdict.

    Returns
    -------
    dict or None
        With what was withdrawn where the verdict withdraws the window.
    """
    found = analysis.confirmation
    if found is None:
        return None
    return {
        "verdict": found.verdict,
        "settings": dict(found.settings),
        "at_recommended": found.at_recommended,
        "runs": list(found.runs),
        "prints": found.prints,
        "met": found.met,
        "missed": found.missed,
        "doubtful": found.doubtful,
        "failed": found.failed,
        "most_missed": found.most_missed,
        "share_low": found.share_low,
        "share_high": found.share_high,
        "probability": found.promised,
        "confidence": found.confidence,
        "responses": {name: _response(r) for name, r in found.responses.items()},
        "reasons": list(found.reasons),
        "withdrawn": _withdrawn(analysis, found),
    }


def _response(found: ConfirmedResponse) -> dict[str, Any]:
    return {
        "verdict": found.verdict,
        "foretold": {"mean": found.foretold, "low": found.low, "high": found.high},
        "mean": found.mean,
        "sd": found.sd,
        "as_foretold": found.as_foretold,
        "guard": found.guard,
        "missed": list(found.missed),
        "doubtful": list(found.doubtful),
        "chance_low": found.chance_low,
        "chance_high": found.chance_high,
    }


def _withdrawn(analysis: Analysis, found: Confirmation) -> dict[str, Any] | None:
    window = analysis.window
    if not found.withdraws or window is None or window.recommended is None:
        return None
    return {
        "settings": dict(window.recommended.settings),
        "ranges": {name: list(ends) for name, ends in window.ranges.items()},
    }
