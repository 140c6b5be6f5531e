"""Two or three plans side by side: the same questions, one column a plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from typing import get_args

import numpy as np
from pydantic import ValidationError

from kit.charts.doubt import draw_shares
from kit.errors import DesignError, UsageError
from kit.report.document import Block, Group, Sentences, Table
from kit.report.figures import figure_block
from kit.report.plan import Plan, new_plan
from kit.report.wording import family_words, number
from kit.saying import with_unit
from kit.study.description import Design, Family, Study
from kit.words import unit_label

MOST = 3
OPTIONS = ("runs", "replicates", "centre_points", "blocks", "changes", "criterion", "axial")
"""What may stand behind a family, such as ``split_plot 20 changes=8``."""


@dataclass(frozen=True)
class Beside:
    """Plans of one study under names to tell them apart; those that cannot be made, with the reason."""

    plans: dict[str, Plan]
    refused: dict[str, str]


def plans_beside(plan: Plan, others: str) -> Beside:
    """Make other plans of the same study.

    Parameters
    ----------
    plan : Plan
        The plan at hand.
    others : str
        One or two, parted by commas: a family, a number of runs and options if wanted (``box_behnken, optimal 16``).

    Returns
    -------
    Beside
        The plan at hand first.

    Raises
    ------
    UsageError
        If a family or option is not understood, or there are too many.
    """
    wanted = [text.strip() for text in others.split(",") if text.strip()]
    if len(wanted) >= MOST:
        raise UsageError(
            f"{len(wanted)} plans beside this one: at most {MOST - 1} can be read side by side."
        )
    plans, refused = {f"this plan ({family_words(plan.study.design.family)})": plan}, {}
    for text in wanted:
        study = varied(plan.study, text)
        try:
            made = new_plan(study)
        except DesignError as error:
            refused[family_words(text)] = str(error).splitlines()[0]
            continue
        plans[family_words(text)] = Plan(
            **{**{k: getattr(made, k) for k in Plan.__dataclass_fields__}, "noises": plan.noises}
        )
    return Beside(plans, refused)


def varied(study: Study, text: str) -> Study:
    """Give the study with another family and options.

    Parameters
    ----------
    study : Study
        Its limits and whether only feasible runs are wanted stay.
    text : str
        Such as ``optimal 16 criterion=D``.

    Returns
    -------
    Study

    Raises
    ------
    UsageError
        If it is not understood.
    """
    family, *options = text.split()
    if family not in get_args(Family):
        raise UsageError(
            f"{family!r} is no family of plans; there are {', '.join(get_args(Family))}."
        )
    values: dict[str, object] = {"family": family}
    for option in options:
        key, equals, value = (f"runs={option}" if option.isdecimal() else option).partition("=")
        if not equals or key not in OPTIONS:
            raise UsageError(f"{option!r}: write one of {', '.join(OPTIONS)} with = and a value.")
        values[key] = int(value) if value.isdecimal() else value
    kept = {k: getattr(study.design, k) for k in ("limits", "feasible", "insist", "level_order")}
    try:
        design = Design.model_validate({**kept, **values})
    except ValidationError as error:
        raise UsageError(f"{text!r}: {error.errors()[0]['msg']}.") from None
    return study.model_copy(update={"design": design})


def show_plan_beside(plan: Plan, others: str) -> Group:
    """Show this plan and one or two others side by side; nothing is shown when no others are named."""
    if not others.strip():
        return Group(())
    beside = plans_beside(plan, others)
    blocks: list[Block] = [beside_table(beside)]
    if beside.refused:
        said = tuple(f"{name} cannot be made: {why}" for name, why in beside.refused.items())
        blocks.append(Sentences(said, tone="notice"))
    curves = {n: p.precision for n, p in beside.plans.items() if p.precision.df > 0}
    if len(curves) > 1:
        blocks.append(figure_block(draw_shares(curves, *_quantity(plan))))
    return Group(tuple(blocks))


def beside_table(beside: Beside) -> Table:
    """Lay the plans out: one row a question, one column a plan."""
    plans = list(beside.plans.values())
    sd, title, unit = _quantity(plans[0])
    questions: list[tuple[str, Sequence[str]]] = [
        ("Prints", [str(len(p.runs)) for p in plans]),
        ("Printing (h)", [_total(p, "minutes", 60) for p in plans]),
        ("Filament (g)", [_total(p, "grams", 1) for p in plans]),
    ]
    if any(f.hard_to_change for f in plans[0].study.factors):
        questions.append(
            ("Settings of what is hard to change", [str(p.runs["block"].nunique()) for p in plans])
        )
    questions += [
        ("Prints to spare for the scatter", [f"{p.precision.df:.0f}" for p in plans]),
        (
            f"Straight effects of {title} known to ± ({unit})",
            [_worst(p, "effect", sd) for p in plans],
        ),
        (
            f"One setting's sway over another's effect, ± ({unit})",
            [_worst(p, "together", sd) for p in plans],
        ),
        (f"Bends, ± ({unit})", [_worst(p, "bend", sd) for p in plans]),
        (
            f"Foretold means at half of the settings, ± ({unit})",
            [_share(p, 0.5, sd) for p in plans],
        ),
        (
            f"Foretold means at 90 % of the settings, ± ({unit})",
            [_share(p, 0.9, sd) for p in plans],
        ),
        ("Effects that cannot be told", [str(len(p.precision.lost)) for p in plans]),
    ]
    rows = tuple((question, *answers) for question, answers in questions)
    caption = "The same questions to each plan; ± is the half-width of a 95 % interval, of the least known effect."
    return Table(
        ("Question", *beside.plans), rows, caption, numeric=tuple(range(1, len(plans) + 1))
    )


def _quantity(plan: Plan) -> tuple[float, str, str]:
    for response in plan.study.responses:
        if response.name in plan.noises:
            return (
                plan.noises[response.name].sd,
                response.title,
                unit_label(response.unit) or response.title,
            )
    return 1.0, "a response", "SD of prints made alike"


def _total(plan: Plan, column: str, scale: float) -> str:
    values = plan.assessment.table[column]
    return number(values.sum() / scale, 1 if scale > 1 else 0) if values.notna().all() else "–"


def _worst(plan: Plan, kind: str, sd: float) -> str:
    widths = [sd * e.half_width for e in plan.precision.effects if e.kind == kind]
    return _short(max(widths)) if widths else "–"


def _share(plan: Plan, share: float, sd: float) -> str:
    return _short(sd * float(np.quantile(plan.precision.shares, share)))


def _short(value: float) -> str:
    if not isfinite(value):
        return "–"
    digits = max(0, 1 - int(np.floor(np.log10(value)))) if value > 0 else 2
    return with_unit(number(value, digits), "")
