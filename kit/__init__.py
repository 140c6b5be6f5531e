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
    from kit.analysis import Analysis, analyse, confirm_with
    from kit.bench.instruments import specimen_results
    from kit.design.choose import choose_design
    from kit.design.order import order_runs
    from kit.errors import KitError, MeasurementError, ModelError, NotEstimableError, StudyError
    from kit.model.checks import check_surface
    from kit.model.fit import fit_surface, fit_surfaces
    from kit.model.predict import predict
    from kit.printer import assess_prints
    from kit.rehearse_many import rehearse_plan
    from kit.rehearse_page import show_rehearsal
    from kit.report.adoption import adopt
    from kit.report.beside import show_plan_beside
    from kit.report.comparison import compare_study
    from kit.report.explore import explore
    from kit.report.gauge_study import study_gauge
    from kit.report.package.open import open_package
    from kit.report.plan import Plan, make_plan, propose_plan
    from kit.report.plan_numbers import plan_numbers, show_plan_provenance
    from kit.report.publish.publish import publish_report
    from kit.report.render import render_report
    from kit.report.screening import screen_study
    from kit.report.show_adopt import (
        adopt_numbers,
        show_adopt_answer,
        show_adopt_cautions,
        show_adopt_more,
        show_adopt_printer,
        show_adopt_prints,
        show_adopt_provenance,
    )
    from kit.report.show_answer import show_answer
    from kit.report.show_bench import show_scores, show_sizes
    from kit.report.show_compare import (
        compare_numbers,
        show_compare_answer,
        show_compare_cautions,
        show_compare_checks,
        show_compare_provenance,
        show_differences,
        show_levels,
        show_margins,
        show_prints_needed,
    )
    from kit.report.show_confirm import (
        show_confirmation,
        show_confirmation_prints,
        show_confirmation_rule,
    )
    from kit.report.show_curves import show_curves
    from kit.report.show_data import (
        results,
        show_cautions,
        show_prints,
        show_provenance,
        show_requirements,
    )
    from kit.report.show_elsewhere import show_other_printers
    from kit.report.show_gauge import (
        gauge_numbers,
        show_gauge_answer,
        show_gauge_cautions,
        show_gauge_components,
        show_gauge_provenance,
        show_gauge_readings,
        show_gauge_repeats,
    )
    from kit.report.show_home import show_home
    from kit.report.show_measuring import show_measuring
    from kit.report.show_models import show_checks, show_effects, show_scatter, show_terms
    from kit.report.show_next import show_next
    from kit.report.show_plan import (
        show_plan,
        show_plan_cautions,
        show_plan_commands,
        show_plan_prints,
    )
    from kit.report.show_plan_questions import (
        show_plan_blind,
        show_plan_cost,
        show_plan_sight,
        show_plan_technical,
    )
    from kit.report.show_plan_size import show_plan_size
    from kit.report.show_references import show_references
    from kit.report.show_screening import (
        screening_numbers,
        show_mixed_up,
        show_screening_answer,
        show_screening_cautions,
        show_screening_effects,
        show_screening_provenance,
        show_screening_sizes,
    )
    from kit.report.show_sureness import show_confidence
    from kit.report.show_tradeoffs import show_trade_offs
    from kit.report.show_window import show_window
    from kit.report.small_steps import (
        show_running_effects,
        show_small_steps,
        show_small_steps_cautions,
        show_small_steps_provenance,
        small_steps_numbers,
        study_small_steps,
    )
    from kit.report.space import write_index
    from kit.study.intake import take_in
    from kit.study.read import read_study
    from kit.window.region import find_window

_HOME = {
    "explore": "kit.report.explore",
    "show_trade_offs": "kit.report.show_tradeoffs",
    "open_package": "kit.report.package.open",
    "publish_report": "kit.report.publish.publish",
    "write_index": "kit.report.space",
    "screen_study": "kit.report.screening",
    "screening_numbers": "kit.report.show_screening",
    "show_mixed_up": "kit.report.show_screening",
    "show_screening_answer": "kit.report.show_screening",
    "show_screening_cautions": "kit.report.show_screening",
    "show_screening_effects": "kit.report.show_screening",
    "show_screening_provenance": "kit.report.show_screening",
    "show_screening_sizes": "kit.report.show_screening",
    "show_next": "kit.report.show_next",
    "adopt": "kit.report.adoption",
    "adopt_numbers": "kit.report.show_adopt",
    "show_adopt_answer": "kit.report.show_adopt",
    "show_adopt_cautions": "kit.report.show_adopt",
    "show_adopt_more": "kit.report.show_adopt",
    "show_adopt_printer": "kit.report.show_adopt",
    "show_adopt_prints": "kit.report.show_adopt",
    "show_adopt_provenance": "kit.report.show_adopt",
    "show_other_printers": "kit.report.show_elsewhere",
    "compare_study": "kit.report.comparison",
    "compare_numbers": "kit.report.show_compare",
    "show_compare_answer": "kit.report.show_compare",
    "show_compare_cautions": "kit.report.show_compare",
    "show_compare_checks": "kit.report.show_compare",
    "show_compare_provenance": "kit.report.show_compare",
    "show_differences": "kit.report.show_compare",
    "show_levels": "kit.report.show_compare",
    "show_margins": "kit.report.show_compare",
    "show_prints_needed": "kit.report.show_compare",
    "show_scores": "kit.report.show_bench",
    "show_sizes": "kit.report.show_bench",
    "show_curves": "kit.report.show_curves",
    "show_measuring": "kit.report.show_measuring",
    "confirm_with": "kit.analysis",
    "show_confirmation": "kit.report.show_confirm",
    "show_confirmation_prints": "kit.report.show_confirm",
    "show_confirmation_rule": "kit.report.show_confirm",
    "MeasurementError": "kit.errors",
    "show_references": "kit.report.show_references",
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
    "show_confidence": "kit.report.show_sureness",
    "show_effects": "kit.report.show_models",
    "show_home": "kit.report.show_home",
    "show_plan": "kit.report.show_plan",
    "show_plan_cautions": "kit.report.show_plan",
    "show_plan_commands": "kit.report.show_plan",
    "show_plan_prints": "kit.report.show_plan",
    "show_running_effects": "kit.report.small_steps",
    "show_small_steps": "kit.report.small_steps",
    "show_small_steps_cautions": "kit.report.small_steps",
    "show_small_steps_provenance": "kit.report.small_steps",
    "small_steps_numbers": "kit.report.small_steps",
    "study_small_steps": "kit.report.small_steps",
    "rehearse_plan": "kit.rehearse_many",
    "show_rehearsal": "kit.rehearse_page",
    "show_plan_beside": "kit.report.beside",
    "show_plan_blind": "kit.report.show_plan_questions",
    "show_plan_cost": "kit.report.show_plan_questions",
    "show_plan_sight": "kit.report.show_plan_questions",
    "show_plan_size": "kit.report.show_plan_size",
    "plan_numbers": "kit.report.plan_numbers",
    "show_plan_provenance": "kit.report.plan_numbers",
    "show_plan_technical": "kit.report.show_plan_questions",
    "show_prints": "kit.report.show_data",
    "show_provenance": "kit.report.show_data",
    "show_requirements": "kit.report.show_data",
    "show_scatter": "kit.report.show_models",
    "show_terms": "kit.report.show_models",
    "show_window": "kit.report.show_window",
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
