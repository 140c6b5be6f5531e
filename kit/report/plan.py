"""Make a plan for a study: proposed in memory, or written with its sheets."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from kit.bench.cautions import cautions_for
from kit.bench.sheet import bench_sheet, measuring_sheet
from kit.design.choose import choose_design
from kit.design.order import order_runs, readings_to_fill
from kit.design.support import Support, support
from kit.printer import PrintAssessment, assess_prints
from kit.study.description import Study
from kit.study.folder import save_plan, write_whole
from kit.study.intake import take_in
from kit.terms import expand_terms

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
    """

    study: Study
    runs: pd.DataFrame
    to_fill: pd.DataFrame
    assessment: PrintAssessment
    support: Support
    notes: tuple[str, ...] = ()
    written: bool = False


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
    if len(data.runs):
        return _judged(data.study, data.runs, written=True)
    return new_plan(data.study)


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
    rng = np.random.default_rng(study.seed)
    chosen = choose_design(study)
    runs = order_runs(chosen, rng, study=study)
    for group in study.model.random:  # which spool, which day: filled in when the print is made
        runs.insert(runs.columns.get_loc("print_order"), group, "")
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
    plan = new_plan(take_in(folder).study)
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
    found = support(coding, terms, coding.code(runs), list(runs["block"]) if fixed else None)
    return Plan(
        study=study,
        runs=runs,
        to_fill=readings_to_fill(study, runs, rng),
        assessment=assess_prints(study, runs),
        support=found,
        notes=notes,
        written=written,
    )
