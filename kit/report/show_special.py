"""Special fits on the page and in ``results.json``: prints at the limit of the instrument, scatter by setting, selected terms."""

from __future__ import annotations

from typing import Any

import numpy as np

from kit.model.limit_words import limit_effect, limit_sentences
from kit.model.scale import Scale
from kit.model.selection import Selection
from kit.model.selection_words import selection_sentences
from kit.model.spread import Spread
from kit.model.spread_words import spread_ratios, spread_sentences
from kit.model.surface import Surface
from kit.report.document import Block, Sentences


def special_blocks(surface: Surface) -> list[Block]:
    """Show beside the checks what is special about a surface's fit; nothing for the usual one.

    Returns
    -------
    list of Block
    """
    titled = {
        "At the limit of the instrument": limit_sentences(surface),
        "Scatter by setting": spread_sentences(surface),
        "Terms chosen by these prints": selection_sentences(surface),
    }
    return [Sentences(said, tone="minor", title=title) for title, said in titled.items() if said]


def special_numbers(surface: Surface) -> dict[str, Any]:
    """Give what ``results.json`` holds of a special fit; nothing for the usual one.

    Returns
    -------
    dict
        ``at_limit``: ``runs``, ``method``, and with readings taken as they stand ``naive_lower_by`` (least and most, at these
        prints) and ``naive_residual_sd``. ``scale``: see `scale_numbers`. ``spread``: ``log_variance`` by term (``estimate``, ``std_error``), ``ratios`` of SDs by term
        (``at``, ``against``, ``ratio``, ``low``, ``high``: 95 %), ``p_even``, ``method``. ``selection``: ``criterion``, ``optimistic`` (true),
        ``kept``, ``left_out``, ``aicc``, ``aicc_full`` (null where it has none), ``models``, ``all_tried``, ``near`` (models within 2), ``runners_up``
        (``effects``, ``difference``; at most ten).
    """
    numbers: dict[str, Any] = scale_numbers(surface.scale)
    found = limit_effect(surface)
    if found is not None:
        numbers["at_limit"] = {
            "runs": list(found.runs),
            "method": surface.method,
            "naive_lower_by": list(found.below),
            "naive_residual_sd": found.naive_residual_sd,
        }
    if surface.spread is not None:
        numbers["spread"] = _spread_numbers(surface, surface.spread)
    if surface.selection is not None:
        numbers["selection"] = _selection_numbers(surface.selection)
    return numbers


def _selection_numbers(found: Selection) -> dict[str, Any]:
    return {
        "criterion": "aicc",
        "optimistic": True,
        "kept": list(found.kept),
        "left_out": list(found.left_out),
        "aicc": found.aicc,
        "aicc_full": found.aicc_full,
        "models": found.models,
        "all_tried": found.all_tried,
        "near": found.near,
        "runners_up": [
            {"effects": list(r.effects), "difference": r.difference} for r in found.runners_up
        ],
    }


def _spread_numbers(surface: Surface, spread: Spread) -> dict[str, Any]:
    errors = np.sqrt(np.diag(spread.covariance))
    return {
        "log_variance": {
            term.name: {"estimate": float(b), "std_error": float(e)}
            for term, b, e in zip(spread.terms, spread.coefficients, errors, strict=True)
        },
        "ratios": {
            r.term: {
                "at": r.at,
                "against": r.against,
                "ratio": r.ratio,
                "low": r.low,
                "high": r.high,
            }
            for r in spread_ratios(surface)
        },
        "p_even": spread.p,
        "method": surface.method,
    }


def scale_numbers(scale: Scale) -> dict[str, Any]:
    """Give the object ``scale`` of a model; nothing where it is fitted as measured.

    Returns
    -------
    dict
        ``kind``, ``power`` (of a share null), and where they apply ``interval`` of a power found from the prints,
        ``reference`` (a power is fitted as ((y/reference)^power - 1)/power), ``bounds``, ``shrunk``.
    """
    if scale.is_plain and scale.interval is None:
        return {}
    found: dict[str, Any] = {
        "kind": scale.kind,
        "power": None if scale.kind == "share" else scale.power,
    }
    if scale.interval is not None:
        found["interval"] = list(scale.interval)
    if scale.kind == "power":
        found["reference"] = scale.reference
    if scale.kind == "share":
        found |= {"bounds": list(scale.bounds), "shrunk": scale.shrunk}
    return {"scale": found}
