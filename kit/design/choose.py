"""Choose the runs of a study: the family it asks for, on printable steps, checked before it is printed.

What a family (`kit.design.families`) makes is then treated alike: limits, what the printer can do, the
model it must support, whole plots.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from kit.design.blocks import IntArray
from kit.design.factorial import CENTRE, CodedRuns
from kit.design.families import BUILDERS
from kit.design.height_stacked import HEIGHT, counts_height, heights
from kit.design.steps import check_reach, settable
from kit.design.support import Support, support
from kit.design.whole_plots import whole_plots
from kit.errors import DesignError
from kit.printer import assess_prints, list_runs
from kit.study.description import Study
from kit.study.limits import parse_limits
from kit.terms import FloatArray, Term, expand_terms, model_matrix

LEADING, TRAILING = ("run", "round", "block", "print_order"), ("status", "note")
"""Columns of the runs table before and after the factors."""
OWN_STRETCHES = ("split_plot", "optimal", "height_stacked")
"""Families whose blocks are the stretches at one setting of what is hard to change already."""
NOTED = (CENTRE, "axial", "height")
"""Starts of the kinds of runs that are written into the note column."""


@dataclass(frozen=True)
class Plan:
    """Runs in standard order, and what there is to say of them.

    Attributes
    ----------
    runs : DataFrame
        Columns ``run``, ``round``, ``block``, ``print_order``, one a factor (natural units), ``status``, ``note``.
    notes : tuple of str
        Plain sentences: settings moved to steps, interactions given up, curvature not seen ...
    support : Support
        What the runs can say about the model.
    """

    runs: pd.DataFrame
    notes: tuple[str, ...]
    support: Support


def choose_design(study: Study, *, round_name: str = "first") -> pd.DataFrame:
    """Choose the runs to print, in standard order; `plan_runs` also tells what they can support.

    Parameters
    ----------
    study : Study
        Its factors, ``[design]`` and ``[model]``.
    round_name : str, default "first"
        What the round is called.

    Returns
    -------
    DataFrame
        Columns of ``runs.csv``; ``order_runs`` puts them in print order and labels them. The notes are in
        ``attrs["notes"]``.

    Raises
    ------
    DesignError
        If the plan cannot be made as asked; the text says the way out.
    """
    plan = plan_runs(study, round_name=round_name)
    runs = plan.runs.copy()
    runs.attrs["notes"] = plan.notes
    return runs


def plan_runs(study: Study, *, round_name: str = "first") -> Plan:
    """Choose the runs and judge them; parameters and errors as in `choose_design`.

    Returns
    -------
    Plan
    """
    study = study.with_planned_terms()
    made = _build(study)
    check_reach(study, made.coded)
    settings, moved = settable(study, made.coded)
    _check_limits(study, settings)
    made, settings, left_out = _feasible(study, made, settings)
    coded = study.coding.code(_columns(settings))
    made = _hard_blocks(study, made, coded)
    found = _supported(study, coded, made, left_out)
    runs = _table(study, made, settings, round_name)
    return Plan(runs, (*made.notes, *moved, *left_out, *found.sentences), found)


def _build(study: Study) -> CodedRuns:
    family = study.design.family
    if family not in BUILDERS:
        raise DesignError(
            f'family = "{family}" is not available in this version: choose {" or ".join(BUILDERS)}.'
        )
    return BUILDERS[family](study)


def _check_limits(study: Study, settings: pd.DataFrame) -> None:
    """Refuse runs that break the user's linear limits: a classical family cannot bend around them."""
    texts = study.design.limits
    lines = []
    for text, limit in zip(texts, parse_limits(texts, study.coding), strict=True):
        broken = ~limit.holds(_columns(settings))
        if broken.any():
            runs = [str(i + 1) for i in np.flatnonzero(broken)]
            worst = settings[broken].iloc[int(np.argmax(limit.value(_columns(settings[broken]))))]
            at = ", ".join(f"{name} {worst[name]:g}" for name in limit.coefficients)
            lines.append(f"{list_runs(runs)} in standard order would break {text!r} (worst: {at}).")
    if lines:
        other = ', or use family = "optimal"' if "optimal" in BUILDERS else ""
        lines.append(
            f"A {study.design.family.replace('_', ' ')} cannot go around a limit: narrow low and high until every "
            f"run keeps it{other}."
        )
        raise DesignError("\n".join(lines))


def _columns(settings: pd.DataFrame) -> dict[str, Any]:
    """Give the settings as plain columns."""
    return {str(name): settings[name].to_numpy() for name in settings}


def _feasible(
    study: Study, made: CodedRuns, settings: pd.DataFrame
) -> tuple[CodedRuns, pd.DataFrame, tuple[str, ...]]:
    """Leave out what the printer cannot do, where the study asks for it."""
    if not study.design.feasible:
        return made, settings, ()
    assessment = assess_prints(study, settings)
    keep = assessment.possible
    if keep.all():
        return made, settings, ()
    runs = [str(i + 1) for i in np.flatnonzero(~keep)]
    why = assessment.findings[0]
    text = f"{list_runs(runs)} of {len(keep)} in standard order left out, since the printer cannot print them as set. {why}"
    if not keep.any() or study.design.runs is not None:
        total = (
            "" if study.design.runs is None else f", so runs = {study.design.runs} cannot be kept"
        )
        raise DesignError(
            f"{list_runs(runs)} of {len(keep)} cannot be printed as set{total}. {why} Narrow the ranges, or leave runs out."
        )
    kind = tuple(k for k, kept in zip(made.kind, keep, strict=True) if kept)
    cut = replace(made, coded=made.coded[keep], block=made.block[keep], kind=kind)
    return cut, settings[keep].reset_index(drop=True), (text,)


def _hard_blocks(study: Study, made: CodedRuns, coded: FloatArray) -> CodedRuns:
    """Make whole plots of a classical plan with hard-to-change factors: each is a block."""
    hard = tuple(f.name for f in study.factors if f.hard_to_change)
    if not hard or study.design.family in OWN_STRETCHES:
        return made
    if study.design.blocks > 1:
        raise DesignError(
            f"blocks = {study.design.blocks}: {' and '.join(hard)} being hard to change, the blocks are the "
            "stretches at one setting of it; leave blocks out (changes sets their number)."
        )
    block = whole_plots(study.coding, coded, hard, study.design.changes)
    note = (
        f"{block.max()} stretches of runs share a setting of {' and '.join(hard)}; set it anew for each "
        "stretch, even when the value stays the same."
    )
    return replace(made, block=block, notes=(*made.notes, note))


def _supported(
    study: Study, coded: FloatArray, made: CodedRuns, left_out: tuple[str, ...]
) -> Support:
    """Refuse a plan that cannot support the model asked for; a model nobody asked for is only noted."""
    terms = expand_terms(study.coding, study.model.terms)
    fixed = not study.random_blocks and study.model.blocks != "none"
    blocks = made.block.tolist() if fixed and made.block.max() > made.block.min() else None
    found = support(study.coding, terms, coded, blocks, planned_height(study, made.block))
    # Where runs were left out, the default model must not suffer from it either.
    stated = bool(left_out) or "terms" in study.model.model_fields_set
    simple = {t.name for t in terms if t.order <= 1}
    refused = bool(found.not_estimable) if stated else bool(simple & set(found.not_estimable))
    if refused or found.residual_df == 0:
        raise DesignError("\n".join([*left_out, *found.sentences]))
    if "terms" in study.model.model_fields_set and blocks is not None:
        _check_given_up(terms, made)
    _check_whole_plots(study, coded, made, terms)
    return found


def planned_height(study: Study, block: IntArray) -> tuple[str, FloatArray] | None:
    """Give the height of each run in its stack where the plan is stacked, in the order of the plan."""
    if not counts_height(study):
        return None
    runs = pd.DataFrame({"block": block, "print_order": np.arange(len(block))})
    return HEIGHT, heights(runs)


def _check_given_up(terms: tuple[Term, ...], made: CodedRuns) -> None:
    """Refuse blocks that take the place of an interaction asked for."""
    # Centre points alone may make it estimable, but only by mistaking curvature for it.
    lost = [t.name for t in terms if frozenset(t.factors) in made.given_up and len(t.factors) > 1]
    if lost:
        raise DesignError(
            f"{made.block.max()} blocks take the place of {', '.join(lost)}: use fewer blocks or more "
            "replicates, or drop these from [model] terms."
        )


def _check_whole_plots(
    study: Study, coded: FloatArray, made: CodedRuns, terms: tuple[Term, ...]
) -> None:
    """Refuse too few whole plots to judge the hard-to-change factors by."""
    hard = {f.name for f in study.factors if f.hard_to_change}
    if not hard:
        return
    between = [t for t in terms if set(t.factors) <= hard]
    rank = int(np.linalg.matrix_rank(model_matrix(study.coding, between, coded)))
    plots = len(set(made.block.tolist()))
    if plots <= rank:
        raise DesignError(
            f"{plots} stretches at one setting of {' and '.join(sorted(hard))} and {rank} coefficients of it: "
            "no stretch to spare to judge it by. "
            f"Set changes = {rank + 2} or more, or replicates = 2."
        )


def _table(study: Study, made: CodedRuns, settings: pd.DataFrame, round_name: str) -> pd.DataFrame:
    """Lay the runs out as the runs table."""
    order = np.arange(1, len(made) + 1)
    table = pd.DataFrame(
        {"run": order.astype(str), "round": round_name, "block": made.block, "print_order": order}
    )
    for factor in study.factors:
        table[factor.name] = settings[factor.name].to_numpy()
    table["status"] = "planned"
    table["note"] = [k if k.startswith(NOTED) else "" for k in made.kind]
    return table
