"""What a part passes or fails, on the page: the chance at the answer, and how it depends on each setting."""

from __future__ import annotations

from typing import Any

import numpy as np

from kit.analysis import Analysis
from kit.model.surface import Surface
from kit.report.document import Block, Sentences, Table
from kit.report.wording import setting, spoken
from kit.saying import counted, percent
from kit.study.description import COMES_OUT
from kit.window.result import Choice, Setting


def outcome_blocks(analysis: Analysis, choice: Choice) -> tuple[Block, ...]:
    """Show for each outcome how its chance changes along each setting, the others as in the answer."""
    blocks: list[Block] = []
    for name, surface in analysis.outcomes.items():
        assert surface.success is not None  # an outcome has nothing else
        blocks += [_table(analysis, surface, choice), Sentences((_said(surface),), tone="minor")]
        if name != COMES_OUT and surface.success.failures == 0:
            text = "No piece failed. A few pieces that all pass do not prove that every one will: that is what keeps the chance below 100 %."
            blocks.append(Sentences((text,), tone="minor"))
    return tuple(blocks)


def _table(analysis: Analysis, surface: Surface, choice: Choice) -> Table:
    study, stated = analysis.study, surface.stated
    rows = []
    for factor in study.factors:
        ends: list[Setting] = list(factor.levels)
        if not factor.is_category:
            ends = [e for e in (factor.low, factor.high) if e is not None]
        at = {n: [choice.settings[n]] * len(ends) for n in study.coding.names} | {factor.name: ends}
        chances = surface.typical(study.coding.code(at)).tolist()
        told = [f"{setting(factor, e)}: {percent(c)}" for e, c in zip(ends, chances, strict=True)]
        rows.append((spoken(factor.name), "; ".join(told)))
    caption = f"Chance that a {'print' if stated.name == COMES_OUT else 'part'} {_verb(surface)}, one setting changed and the others as in the answer."
    return Table(("Setting", "Chance"), tuple(rows), caption)


def _verb(surface: Surface) -> str:
    stated = surface.stated
    return "comes out" if stated.name == COMES_OUT else f"passes {stated.title}"


def _said(surface: Surface) -> str:
    assert surface.success is not None
    failures, prints = surface.success.failures, len(surface.success.came_out)
    return (
        f"Judged by {counted(failures, 'failure')} among {counted(prints, 'print')}, by straight effects of the log odds; it is a mean over what "
        "so few prints leave possible, and counts as independent of the other requirements at the same settings."
    )


def outcome_numbers(analysis: Analysis) -> dict[str, Any]:
    """Give the outcomes for ``results.json``; nothing where there are none."""
    if not analysis.outcomes:
        return {}
    numbers = {}
    for name, surface in analysis.outcomes.items():
        assert surface.success is not None
        terms = zip(
            surface.terms, surface.coefficients, np.sqrt(np.diag(surface.covariance)), strict=True
        )
        numbers[name] = {
            "prints": len(surface.success.came_out),
            "failures": surface.success.failures,
            "log_odds": {
                t.name: {"estimate": float(b), "std_error": float(s)} for t, b, s in terms
            },
        }
    return {"outcomes": numbers}
