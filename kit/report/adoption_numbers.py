"""What the adopter's ``results.json`` holds."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kit.report.adoption import DONOR, Adoption
from kit.report.numbers import numbers_document
from kit.report.show_special import scale_numbers
from kit.window.offset import OffsetPosterior
from kit.window.offset_settings import (
    MorePrints,
)


def adoption_numbers(
    adoption: Adoption, parameters: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Give the contents of the adopter's ``results.json``."""
    body = {
        "donor": {"title": adoption.donor.study.title, "settings": dict(adoption.settings)},
        "prints": len(adoption.prints),
        "thermometer_difference": _offset_numbers(adoption.after or adoption.before),
        "recommended": _corrected_numbers(adoption),
        "more_prints": _more_numbers(adoption.more),
        "notes": list(adoption.notes),
    }
    return numbers_document(adoption.data.study, both_digests(adoption), body, parameters)


def both_digests(adoption: Adoption) -> dict[str, str]:
    """Give the digests of this study's files and of the donor's, in their folder."""
    donors = {f"{DONOR}/{n}": d for n, d in adoption.donor.data.digests.items()}
    return {**adoption.data.digests, **donors}


def _offset_numbers(found: OffsetPosterior) -> dict[str, Any]:
    low, high = found.interval
    bias = {}
    for name in found.bias_sd:
        mean, least, most = found.bias_limits(name)
        bias[name] = {
            "mean": mean,
            "low": least,
            "high": most,
            "correlation": found.correlation(name),
            **scale_numbers(found.printers.surfaces[name].scale),  # mean, low and high are on it
        }
    return {
        "mean": found.mean,
        "sd": found.sd,
        "low": low,
        "high": high,
        "sd_if_nothing_else_differed": found.known_sd,
        "told_apart": not found.confounded,
        "bias": bias,
    }


def _corrected_numbers(adoption: Adoption) -> dict[str, Any] | None:
    found = adoption.corrected
    if found is None:
        return None
    return {
        "settings": dict(found.settings),
        "probability": found.probability,
        "probability_low": found.low,
        "probability_high": found.high,
        "donor_settings_before": found.donor_before,
        "donor_settings_after": found.donor_after,
        "best_before": found.best_before,
    }


def _more_numbers(more: MorePrints | None) -> dict[str, Any] | None:
    if more is None:
        return None
    return {
        "settings": [dict(s) for s in more.settings],
        "sd_now": more.sd_now,
        "sd_then": more.sd_then,
        "probability_now": more.probability_now,
        "probability_then": more.probability_then,
    }
