"""Numbers about the measuring that ``results.json`` holds beside the models."""

from __future__ import annotations

from typing import Any

from kit.analysis import Analysis
from kit.errors import MeasurementError
from kit.model.gauge import analyse_gauge
from kit.model.gauge_result import Gauge
from kit.model.measuring_share import MeasuringShare, measuring_share
from kit.model.scores import study_scores
from kit.model.size_correction import Limits, hole_allowances, size_corrections


def gauge_of(analysis: Analysis, name: str) -> Gauge | None:
    """Analyse the gauge study of a response itself, where there is one that can be analysed."""
    table = analysis.data.gauge
    if table is None:
        return None
    mine = table[(table["quantity"] == name) & (table["excluded"] == "")]
    try:
        return analyse_gauge(mine) if len(mine) else None
    except MeasurementError:
        return None


def share_of(analysis: Analysis, name: str) -> MeasuringShare | None:
    """Give how much of a response's scatter is measuring, from its repeat readings or else its gauge study."""
    measured = analysis.measured[name]
    gauge = gauge_of(analysis, name) if measured.repeat_variance is None else None
    variance = gauge.repeat_sd**2 if gauge else None
    return measuring_share(measured, analysis.surfaces[name], variance)


def measuring_numbers(analysis: Analysis) -> dict[str, Any]:
    """Give shares of the measuring, doubt of corrections, corrections of size, and the raters' agreement.

    Parameters
    ----------
    analysis : Analysis
        The finished analysis.

    Returns
    -------
    dict
        Only what the study can tell; raters are not named.
    """
    window = analysis.window
    choice = window.choice if window else None
    settings = choice.settings if choice else None
    shares = {n: s for n in analysis.surfaces if (s := share_of(analysis, n)) is not None}
    scores = {
        s.response.name: s.raters for s in study_scores(analysis.data) if s.raters is not None
    }
    return {
        "responses": {
            n: {
                "reading_sd": s.reading_sd,
                "added": s.added,
                "repeats_needed": s.repeats_needed,
                "source": s.source,
            }
            for n, s in shares.items()
        },
        "u_correction": {
            n: m.u_correction for n, m in analysis.measured.items() if m.u_correction > 0
        },
        "size_corrections": {
            c.feature: {
                "scale": _limits(c.scale),
                "constant": _limits(c.constant),
                "at_recommended": c.at_settings,
            }
            for c in size_corrections(analysis.data, analysis.measured, settings)
        },
        "hole_allowances": {
            h.response: {"nominal": h.nominal, **_limits(h.allowance)}
            for h in hole_allowances(analysis.data, analysis.measured, settings)
        },
        "agreement": {
            n: {"alpha": a.alpha, "same": a.same, "within_one": a.within_one}
            for n, a in scores.items()
        },
    }


def _limits(found: Limits) -> dict[str, float]:
    return {"estimate": found.value, "low": found.low, "high": found.high}
