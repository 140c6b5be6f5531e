"""The sheet of a gauge study: a page an operator and round, to be folded away before the next."""

from __future__ import annotations

from html import escape

import pandas as pd

from kit.bench.cautions import cautions_for
from kit.bench.sheet_parts import blanks, capital, caution_list, foot, head, safe
from kit.bench.sheet_style import page
from kit.study.description import Study
from kit.words import unit_label

COLUMNS = 2
"""Readings side by side, so that a round fits a page."""


def gauge_sheet(study: Study, plan: pd.DataFrame, title: str, *, destructive: bool) -> str:
    """Lay out the sheet to write a gauge study's readings on.

    Parameters
    ----------
    study : Study
        For the title and the cautions.
    plan : DataFrame
        As `kit.design.gauge_plan.plan_gauge` gives it.
    title : str
        What is read.
    destructive : bool
        Whether every reading breaks a piece.

    Returns
    -------
    str
        A whole HTML document; all of the user's words escaped.
    """
    parts, operators = plan["part"].nunique(), plan["operator"].nunique()
    lines = [
        f"{len(plan)} readings of {title}: {parts} parts, {operators} operators, {plan['repeat'].max()} rounds.",
        (
            "Number the parts where nobody looks while reading. Read them in the order of the sheet. When a round is done, fold the page away: "
            "nobody sees an earlier reading."
        ),
    ]
    if destructive:
        lines.append(
            "The parts are prints with several like pieces; every reading breaks a new piece of that print."
        )
    cautions = cautions_for(study)
    shown = [
        c for c in cautions if "measuring" in c.where or (destructive and "strength" in c.where)
    ]
    body = head(
        f"Gauge study: {study.title}",
        lines,
        blanks(["Instrument", "Smallest step", "Zero checked"]) + caution_list(shown),
    )
    rounds = plan.groupby(["repeat", "operator"], sort=False)
    for place, ((repeat, operator), rows) in enumerate(rounds):
        body += _round(int(str(repeat)), str(operator), rows, title, first=place == 0)
    return page(escape(f"Gauge study: {study.title}"), "Gauge study", body + foot(study, ()))


def _round(repeat: int, operator: str, rows: pd.DataFrame, title: str, *, first: bool) -> str:
    unit = unit_label(str(rows["unit"].iloc[0]))
    heads = (
        "<th>No.</th><th>Part</th><th>"
        + escape(f"{capital(title)} ({unit})" if unit else capital(title))
        + "</th>"
    )
    cells = [
        f'<td>{order}</td><td class="who">{escape(str(part))}</td><td><div class="box">{escape(unit)}</div></td>'
        for order, part in zip(rows["order"], rows["part"], strict=True)
    ]
    height = -(-len(cells) // COLUMNS)
    lines = []
    for row in range(height):
        across = [
            cells[row + k * height] if row + k * height < len(cells) else "<td></td>" * 3
            for k in range(COLUMNS)
        ]
        lines.append(f"<tr>{''.join(across)}</tr>\n")
    turn = "" if first else ' style="break-before: page"'
    return (
        f"<section{turn}>\n<h2>{safe(f'Round {repeat}, operator {operator}')}</h2>\n"
        f'<table class="measure">\n<thead><tr>{heads * COLUMNS}</tr></thead>\n<tbody>\n{"".join(lines)}</tbody>\n</table>\n</section>\n'
    )
