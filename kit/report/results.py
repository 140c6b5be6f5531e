"""The numbers of ``results.json``: full precision, the study's units, no time, path or name of a person.

The shape is a contract (schema 1); other programs read it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from kit.analysis import Analysis
from kit.model.canonical import Stationary, effects_table
from kit.model.surface import Surface
from kit.report.confirm_numbers import confirmation_numbers
from kit.report.measuring_numbers import measuring_numbers
from kit.report.numbers import numbers_document
from kit.report.show_elsewhere import other_printers_numbers
from kit.report.show_next import next_numbers
from kit.report.show_outcomes import outcome_numbers
from kit.report.show_special import special_numbers
from kit.report.show_success import success_numbers
from kit.window.result import Choice, Window


def results_document(
    analysis: Analysis, parameters: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Give the contents of ``results.json``.

    Parameters
    ----------
    analysis : Analysis
        The finished analysis.
    parameters : mapping, optional
        The notebook's options other than the study folder.

    Returns
    -------
    dict
        Plain JSON values; missing numbers are None.
    """
    body = {
        "models": {
            name: _model(surface, analysis.stationary[name])
            for name, surface in analysis.surfaces.items()
        },
        **_answer(analysis),
        "confirmation": confirmation_numbers(analysis),
        "next": next_numbers(analysis),
        "measuring": measuring_numbers(analysis),
        **_other_ways(analysis),
        **success_numbers(analysis),
        **outcome_numbers(analysis),
    }
    return numbers_document(analysis.study, analysis.data.digests, body, parameters)


def _answer(analysis: Analysis) -> dict[str, Any]:
    """Give what is recommended and where it holds; nothing after a confirmation that failed."""
    window = None if analysis.withdrawn else analysis.window
    return {
        "recommended": _choice(window.recommended) if window else None,
        "best_compromise": _compromise(window.best_compromise) if window else None,
        "window": _window(window, analysis.study.window.confidence),
        "other_printers": other_printers_numbers(window),
    }


def _model(surface: Surface, stationary: Stationary | None) -> dict[str, Any]:
    terms = {
        row["term"]: {key: row[key] for key in ("estimate", "std_error", "df", "low", "high", "p")}
        for row in effects_table(surface).to_dict("records")
    }
    lack, parts = surface.lack_of_fit, surface.variance
    return {
        "runs_used": len(surface.observations),
        "terms": terms,
        "not_estimable": list(surface.not_estimable),
        "residual_sd": math.sqrt(surface.residual_variance),
        "df": surface.residual_df,
        "r2": surface.r2,
        "r2_predicted": surface.r2_predicted,
        "variance": {
            "print": parts.print_,
            "block": parts.block,
            "specimen": parts.specimen,
            "repeat": parts.repeat,
            **({"groups": dict(parts.groups)} if parts.groups else {}),
        },
        **({"method": surface.method} if surface.mixed else {}),
        **special_numbers(surface),
        "lack_of_fit": {"F": lack.F, "df": list(lack.df), "p": lack.p} if lack else None,
        "stationary_point": _stationary(stationary) if stationary else None,
    }


def _stationary(point: Stationary) -> dict[str, Any]:
    return {
        "settings": dict(point.settings),
        "value": point.value,
        "eigenvalues": list(point.eigenvalues),
        "nature": point.nature,
        "inside": point.inside,
    }


def _choice(choice: Choice | None) -> dict[str, Any] | None:
    if choice is None:
        return None
    return {
        "settings": dict(choice.settings),
        "probability": choice.probability,
        "probability_low": choice.low,
        "probability_high": choice.high,
        "predictions": {
            name: {"mean": p.mean, "low": p.low, "high": p.high}
            for name, p in choice.predictions.items()
        },
    }


def _other_ways(analysis: Analysis) -> dict[str, Any]:
    """Give the answers without what checks found; nothing where all was calm."""
    if not analysis.other_ways:
        return {}
    ways = [
        {"what": w.what, "why": w.why, "reached": w.reached, "answer": _choice(w.choice)}
        | {"probability_at_answer": w.at_answer}
        for w in analysis.other_ways
    ]
    return {"other_ways": ways}


def _compromise(choice: Choice | None) -> dict[str, Any] | None:
    shape = _choice(choice)
    if shape is None or choice is None:
        return None
    return {**shape, "binding": choice.binding}


def _window(window: Window | None, confidence: float) -> dict[str, Any]:
    if window is None:
        return {"confidence": confidence, "share": 0.0, "ranges": {}}
    ranges = {name: list(ends) for name, ends in window.ranges.items()}
    return {"confidence": confidence, "share": window.share, "ranges": ranges}
