"""The plan's page: what will be printed, whether the printer can do it, and what it can answer."""

from __future__ import annotations

import pandas as pd

from kit.bench.cautions import cautions_for
from kit.bench.snippets import run_snippet
from kit.charts.plan import draw_plan
from kit.errors import SettingLimitError
from kit.printer import FINE
from kit.report.document import Block, Group, Heading, Prose, Sentences, Table
from kit.report.figures import figure_block
from kit.report.plan import Plan
from kit.report.small_print import caution_list
from kit.report.wording import number, setting, spoken
from kit.saying import counted, listed
from kit.words import unit_label


def show_plan(plan: Plan) -> Group:
    """Show title, size and cost of the plan, and the runs in print order."""
    study = plan.study
    where = (
        "These runs stand in runs.csv."
        if plan.written
        else "Nothing is written yet: testprint plan writes it."
    )
    sentence = f"{counted(len(plan.runs), 'print')} in random order over {_varied(plan)}. {plan.assessment.totals}"
    blocks: list[Block] = [
        Heading(f"Plan: {study.title}", 1),
        Sentences((sentence.strip(), where)),
        figure_block(draw_plan(plan.runs, study)),
        _order_table(plan),
    ]
    if plan.notes:
        blocks.insert(2, Sentences(plan.notes, tone="notice"))
    return Group(tuple(blocks))


def show_plan_prints(plan: Plan) -> Group:
    """Show what the printer will do with each run, verdicts in words."""
    found = plan.assessment
    blocks: list[Block] = []
    if found.findings:
        blocks.append(Sentences(found.findings, tone="notice", title="Look at these first"))
    blocks.append(_prints_table(plan))
    reasons = _reasons(plan)
    if reasons is not None:
        blocks.append(reasons)
    if found.missing:
        blocks.append(Sentences(found.missing, tone="minor", title="What would let us judge more"))
    return Group(tuple(blocks))


def show_plan_commands(plan: Plan) -> Group:
    """Show the command text of the first run, as an example of what can be copied by those who set runs by hand."""
    first = plan.runs.sort_values("print_order").head(1).to_dict("records")[0]
    row = {str(key): value for key, value in first.items()}
    try:
        text = run_snippet(plan.study, row, len(plan.runs))
    except SettingLimitError as error:
        return Group((Sentences((str(error),), tone="notice"),))
    more = (
        "`testprint plan STUDY --commands` writes such lines for every planned run, `--labels` a sheet of coded labels for the specimens. "
        "Nothing is ever sent to a printer."
    )
    return Group((Prose(f"{more}\n\n```\n{text}```"),))


def show_plan_cautions(plan: Plan) -> Group:
    """Show the cautions that apply to printing and measuring this plan."""
    return Group((caution_list(plan.study, cautions_for(plan.study, plan.runs)),))


def _varied(plan: Plan) -> str:
    texts = []
    for factor in plan.study.factors:
        column = plan.runs[factor.name]
        if factor.is_category:
            texts.append(f"{spoken(factor.name)} ({', '.join(dict.fromkeys(column.astype(str)))})")
        else:
            low, high = number_or(column.min()), number_or(column.max())
            texts.append(f"{spoken(factor.name)} {low} to {high} {unit_label(factor.unit)}".strip())
    return listed(texts)


def number_or(value: float) -> str:
    """Give a setting without trailing zeros.

    Returns
    -------
    str

    Examples
    --------
    >>> number_or(200.0), number_or(0.25)
    ('200', '0.25')
    """
    return f"{value:.6g}"


def _order_table(plan: Plan) -> Table:
    study, runs = plan.study, plan.runs.sort_values("print_order")
    blocks = len(set(runs["block"])) > 1
    columns = (
        "Run",
        *(["Block"] if blocks else []),
        *(spoken(f.name) for f in study.factors),
        "Status",
    )
    rows = tuple(
        (
            str(row["run"]),
            *([str(row["block"])] if blocks else []),
            *(setting(f, row[f.name]) for f in study.factors),
            str(row["status"]),
        )
        for row in runs.to_dict("records")
    )
    numeric = tuple(range(1, len(columns) - 1))
    return Table(columns, rows, "Runs in print order.", numeric=numeric, folded=len(rows) > 30)


def _reasons(plan: Plan) -> Sentences | None:
    """Say what speaks against single runs."""
    table = plan.assessment.table
    doubtful = table[table["verdict"] != FINE]
    items = tuple(
        f"Run {run}: {text[:1].lower()}{text[1:]}"
        for run, text in zip(doubtful["run"], doubtful["sentence"], strict=True)
    )
    return Sentences(items) if items else None


def _prints_table(plan: Plan) -> Table:
    table = plan.assessment.table
    order = plan.runs.sort_values("print_order")["run"].astype(str)
    table = table.set_index("run").loc[list(order)].reset_index()
    shown = (
        ("peak_speed_mm_s", "Speed reached (mm/s)", 0, 1.0),
        ("share_at_speed", "Straight at speed (%)", 0, 100.0),
        ("throughput_mm3_s", "Melt needed (mm³/s)", 1, 1.0),
        ("melt_limit_mm3_s", "Melt limit (mm³/s)", 1, 1.0),
        ("layer_time_s", "Layer (s)", 0, 1.0),
        ("minutes", "Time (min)", 0, 1.0),
        ("grams", "Filament (g)", 1, 1.0),
    )
    known = [c for c in shown if table[c[0]].notna().any()]
    rows = tuple(
        (
            str(row["run"]),
            *(
                number(row[key] * scale if pd.notna(row[key]) else None, places)
                for key, _, places, scale in known
            ),
            str(row["verdict"]),
        )
        for row in table.to_dict("records")
    )
    columns = ("Run", *(label for _, label, _, _ in known), "Verdict")
    return Table(columns, rows, "Expected of each run.", numeric=tuple(range(1, len(columns) - 1)))
