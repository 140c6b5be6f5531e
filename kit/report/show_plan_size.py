"""How large should it be? Prints needed for a difference that matters, and prints against specimens."""

from __future__ import annotations

from math import sqrt

from kit.design.noise import best_specimens, sd_of_a_print, upper_factor
from kit.design.power import prints_for
from kit.report.document import Block, Group, Sentences, Table
from kit.report.plan import Plan
from kit.report.wording import number, plain
from kit.saying import counted, with_unit
from kit.study.description import Response
from kit.terms import expand_terms

SHARES = (2.0, 1.5, 1.0, 0.75, 0.5)
"""Differences in multiples of the scatter for which prints are counted where no margin is stated."""


def show_plan_size(plan: Plan, cost_ratio: float = 0.0) -> Group:
    """Show how many prints a difference needs, how little a pilot tells, and prints against specimens.

    Parameters
    ----------
    plan : Plan
        With what is known of the scatter.
    cost_ratio : float, default 0
        Cost of one more print over that of one more specimen in it; 0 = taken from print times or left out.

    Returns
    -------
    Group
    """
    coefficients = len(expand_terms(plan.study.coding, "interactions"))
    blocks: list[Block] = [_table(plan, coefficients)]
    sentences = [_pilot()]
    sentences += [s for r in plan.study.responses for s in _specimens(plan, r, cost_ratio)]
    blocks.append(Sentences(tuple(sentences)))
    return Group(tuple(blocks))


def _table(plan: Plan, coefficients: int) -> Table:
    rows = []
    for response in plan.study.responses:
        noise = plan.noises.get(response.name)
        if noise is None:
            continue
        differences = [response.margin] if response.margin else [noise.sd * s for s in (2.0, 1.0)]
        for difference in differences:
            n = prints_for(difference, noise.sd, coefficients=coefficients)
            unsure = prints_for(difference, noise.high, coefficients=coefficients)
            text = with_unit(f"{difference:.2g}", response.unit)
            rows.append((response.title, text, _prints(n), _prints(unsure)))
    caption = (
        "Prints of a two-level plan that see this difference between low and high with a chance of 80 %, with straight effects "
        "and their interactions fitted."
    )
    if rows:
        columns = ("Response", "Difference", "Prints", "If the scatter is at its upper limit")
        return Table(columns, tuple(rows), caption, numeric=(2, 3))
    rows2 = tuple(
        (plain(s), _prints(prints_for(s, 1.0, coefficients=coefficients))) for s in SHARES
    )
    return Table(
        ("Difference, in SD of prints made alike", "Prints"), rows2, caption, numeric=(0, 1)
    )


def _prints(n: int | None) -> str:
    return "more than 2000" if n is None else str(n)


def _pilot() -> str:
    return (
        f"Three centre points tell little about the scatter: the true SD may be up to {upper_factor(2):.1f} times what they show "
        f"(95 %); with six it is {upper_factor(5):.1f} times, with eleven {upper_factor(10):.1f} times."
    )


def _specimens(plan: Plan, response: Response, cost_ratio: float) -> list[str]:
    """Say whether more prints or more specimens a print buys more, where both scatters are known."""
    measured, noise = plan.measured.get(response.name), plan.noises.get(response.name)
    if measured is None or noise is None or not measured.specimen_variance:
        return []
    now = measured.specimens_per_print
    specimen = sqrt(measured.specimen_variance)
    between = sqrt(max(noise.sd**2 - measured.specimen_variance / now, 0.0))
    digits = 1 if response.unit in ("GU", "MPa", "N") else 3
    apart = (
        f"prints scatter by {number(between, digits)}, specimens of one print by"
        if between > 0
        else "prints do not seem to scatter beyond their specimens, which scatter by"
    )
    parts = f"{response.title}: {apart} {with_unit(number(specimen, digits), response.unit)}."
    doubled = sd_of_a_print(between, specimen, max(1, round(2 * now)))
    gain = 1 - doubled / noise.sd
    text = f"{parts} Twice the specimens a print would narrow every interval by {100 * max(gain, 0):.0f} %, twice the prints by about 29 %."
    if cost_ratio > 0 and between > 0:
        best = best_specimens(between, specimen, cost_ratio)
        text += f" With a print costing {plain(cost_ratio)} times a specimen, {counted(best, 'specimen')} a print tell most for the money."
    return [text]
