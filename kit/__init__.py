"""testprint: find settings that give accurate, good-looking, strong parts on your printer.

The way of the data, one function a step::

    read_study        study.toml, validated
    choose_design     which runs to print
    take_in           runs.csv and readings.csv, or every problem at once
    specimen_results  readings into results, with their uncertainty
    fit_surface       one response surface a response
    find_window       the settings that meet every requirement, with how sure we are
    analyse           all of it in one call
    render_report     page, results.json, figures and executed notebook

``import kit`` is cheap; what a name needs is loaded when it is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from kit.analysis import Analysis, analyse
    from kit.bench.instruments import specimen_results
    from kit.design.choose import choose_design
    from kit.design.order import order_runs
    from kit.errors import KitError, MeasurementError, ModelError, NotEstimableError, StudyError
    from kit.model.checks import check_surface
    from kit.model.fit import fit_surface, fit_surfaces
    from kit.model.predict import predict
    from kit.printer import assess_prints
    from kit.report.gauge_study import study_gauge
    from kit.report.plan import Plan, make_plan, propose_plan
    from kit.report.render import render_report
    from kit.report.show_answer import show_answer, show_confidence, show_window
    from kit.report.show_data import (
        results,
        show_cautions,
        show_prints,
        show_provenance,
        show_requirements,
    )
    from kit.report.show_gauge import (
        gauge_numbers,
        show_gauge_answer,
        show_gauge_cautions,
        show_gauge_components,
        show_gauge_provenance,
        show_gauge_readings,
        show_gauge_repeats,
        show_references,
    )
    from kit.report.show_models import show_checks, show_effects, show_scatter, show_terms
    from kit.report.show_plan import (
        show_plan,
        show_plan_cautions,
        show_plan_prints,
        show_plan_support,
    )
    from kit.study.intake import take_in
    from kit.study.read import read_study
    from kit.window.region import find_window

_HOME = {
    "MeasurementError": "kit.errors",
    "show_references": "kit.report.show_gauge",
    "show_gauge_repeats": "kit.report.show_gauge",
    "show_gauge_readings": "kit.report.show_gauge",
    "show_gauge_provenance": "kit.report.show_gauge",
    "show_gauge_components": "kit.report.show_gauge",
    "show_gauge_cautions": "kit.report.show_gauge",
    "show_gauge_answer": "kit.report.show_gauge",
    "gauge_numbers": "kit.report.show_gauge",
    "study_gauge": "kit.report.gauge_study",
    "Analysis": "kit.analysis",
    "KitError": "kit.errors",
    "ModelError": "kit.errors",
    "NotEstimableError": "kit.errors",
    "Plan": "kit.report.plan",
    "StudyError": "kit.errors",
    "analyse": "kit.analysis",
    "assess_prints": "kit.printer",
    "check_surface": "kit.model.checks",
    "choose_design": "kit.design.choose",
    "find_window": "kit.window.region",
    "fit_surface": "kit.model.fit",
    "fit_surfaces": "kit.model.fit",
    "make_plan": "kit.report.plan",
    "order_runs": "kit.design.order",
    "predict": "kit.model.predict",
    "propose_plan": "kit.report.plan",
    "read_study": "kit.study.read",
    "render_report": "kit.report.render",
    "results": "kit.report.show_data",
    "show_answer": "kit.report.show_answer",
    "show_cautions": "kit.report.show_data",
    "show_checks": "kit.report.show_models",
    "show_confidence": "kit.report.show_answer",
    "show_effects": "kit.report.show_models",
    "show_plan": "kit.report.show_plan",
    "show_plan_cautions": "kit.report.show_plan",
    "show_plan_prints": "kit.report.show_plan",
    "show_plan_support": "kit.report.show_plan",
    "show_prints": "kit.report.show_data",
    "show_provenance": "kit.report.show_data",
    "show_requirements": "kit.report.show_data",
    "show_scatter": "kit.report.show_models",
    "show_terms": "kit.report.show_models",
    "show_window": "kit.report.show_answer",
    "specimen_results": "kit.bench.instruments",
    "take_in": "kit.study.intake",
}

__all__ = [*sorted(_HOME)]


def __getattr__(name: str) -> object:
    """Load a public name when it is first used."""
    if name not in _HOME:
        raise AttributeError(f"kit has no {name!r}; public names: {', '.join(sorted(_HOME))}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names."""
    return sorted(_HOME)
