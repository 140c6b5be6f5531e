"""Make a plan for a study: proposed in memory, or written with its sheets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd

from kit.bench.cautions import cautions_for
from kit.bench.measured import Measured
from kit.bench.sheet import bench_sheet, measuring_sheet
from kit.design.choose import choose_design
from kit.design.height_stacked import HEIGHT, HEIGHT_STACKED, counts_height, heights
from kit.design.noise import Noise
from kit.design.order import order_runs, readings_to_fill
from kit.design.precision import Precision, assess_plan
from kit.design.support import Support, support
from kit.errors import DesignError
from kit.printer import PrintAssessment, assess_prints
from kit.report.plan_noise import study_noises
from kit.study.description import Study
from kit.study.folder import save_plan, write_whole
from kit.study.intake import take_in
from kit.study.stacked import monotone_warning
from kit.terms import expand_terms
from kit.window.printers import narrow_range_note

SHEETS = "sheets"


@dataclass(frozen=True)
class Plan:
    """A plan and what can be said of it before printing.

    Attributes
    ----------
    study : Study
    runs : DataFrame
        The runs table.
    to_fill : DataFrame
        One row a reading to take, in measuring order.
    assessment : PrintAssessment
        What the printer will do with each run.
    support : Support
        What the runs can tell.
    notes : tuple of str
        What happened on the way (settings snapped to steps, runs excluded ...).
    written : bool
        Whether the runs stand in ``runs.csv``.
    noises : mapping of response name to Noise
        Scatter between prints made alike, where something is known of it.
    measured : mapping of response name to Measured
        Results that are there already.
    digests : mapping of file name to digest
        The files that it was made from.
    """

    study: Study
    runs: pd.DataFrame
    to_fill: pd.DataFrame
    assessment: PrintAssessment
    support: Support
    notes: tuple[str, ...] = ()
    written: bool = False
    noises: Mapping[str, Noise] = field(default_factory=dict)
    measured: Mapping[str, Measured] = field(default_factory=dict)
    digests: Mapping[str, str] = field(default_factory=dict)

    @cached_property
    def precision(self) -> Precision:
        """What the runs will be able to tell, in units of the scatter."""
        return assess_plan(self.study, self.runs)


def propose_plan(folder: str | Path) -> Plan:
    """Give the plan of a study: the one in ``runs.csv``, else a new one from its seed; writes nothing.

    Parameters
    ----------
    folder : str or Path
        A study folder.

    Returns
    -------
    Plan

    Raises
    ------
    StudyError
        If the study has problems.
    DesignError
        If the plan cannot be made as asked.
    """
    data = take_in(Path(folder))
    noises, measured = study_noises(data)
    is_there = len(data.runs) > 0
    plan = _judged(data.study, data.runs, written=True) if is_there else new_plan(data.study)
    return replace(plan, noises=noises, measured=measured, digests=data.digests)


def new_plan(study: Study) -> Plan:
    """Choose and shuffle the runs of a study from its seed.

    Returns
    -------
    Plan

    Raises
    ------
    DesignError
        If the plan cannot be made as asked, or its runs cannot support the model.
    """
    study = study.with_planned_terms()
    rng = np.random.default_rng(study.seed)
    chosen = choose_design(study)
    runs = order_runs(chosen, rng, study=study)
    for group in study.model.random:  # which spool, which day: filled in when the print is made
        runs.insert(list(runs.columns).index("print_order"), group, "")
    return _judged(study, runs, written=False, rng=rng, notes=tuple(chosen.attrs.get("notes", ())))


def make_plan(folder: str | Path) -> Plan:
    """Choose the runs and write ``runs.csv``, ``readings-to-fill.csv`` and the two sheets.

    Returns
    -------
    Plan

    Raises
    ------
    StudyError
        If the study has problems.
    DesignError
        If the plan cannot be made, or a plan with printed runs is there already; nothing is written then.
    """
    folder = Path(folder)
    data = take_in(folder)
    if data.study.adopt.donor and len(data.runs):
        raise DesignError(
            "this study carries another one over, and its prints stand in runs.csv already (testprint adopt chose them); nothing was changed."
        )
    plan = replace(new_plan(data.study), noises=study_noises(data)[0])
    save_plan(folder, plan.runs, plan.to_fill)
    sheets = folder / SHEETS
    sheets.mkdir(exist_ok=True)
    cautions = cautions_for(plan.study, plan.runs)
    page = bench_sheet(plan.study, plan.runs, plan.assessment, cautions)
    write_whole(sheets / "bench.html", page)
    write_whole(sheets / "measuring.html", measuring_sheet(plan.study, plan.to_fill))
    return plan


def _judged(
    study: Study,
    runs: pd.DataFrame,
    *,
    written: bool,
    rng: np.random.Generator | None = None,
    notes: tuple[str, ...] = (),
) -> Plan:
    rng = rng or np.random.default_rng(study.seed)
    coding = study.coding
    terms = expand_terms(coding, study.model.terms)
    fixed = study.model.blocks != "none" and not study.random_blocks and len(set(runs["block"])) > 1
    height = (HEIGHT, heights(runs)) if counts_height(study) else None
    narrow = narrow_range_note(study)
    found = support(
        coding, terms, coding.code(runs), list(runs["block"]) if fixed else None, height
    )
    warning = monotone_warning(study)
    notes = (warning, *notes) if warning else notes
    assessment = assess_prints(study, runs)
    if study.design.family == HEIGHT_STACKED and assessment.totals:
        said = f"{runs['block'].nunique()} stacks of {len(runs)} levels in all take"
        totals = assessment.totals.replace(f"{len(runs)} prints take", said, 1)
        assessment = replace(assessment, totals=totals)
    return Plan(
        study=study,
        runs=runs,
        to_fill=readings_to_fill(study, runs, rng),
        assessment=assessment,
        support=found,
        notes=(*notes, narrow) if narrow else notes,
        written=written,
    )
