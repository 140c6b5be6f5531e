"""The numbers of a plan's ``results.json``: its runs, what it will tell and what it costs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from kit.report.document import Group, Results
from kit.report.numbers import numbers_document
from kit.report.plan import Plan
from kit.report.small_print import provenance_blocks


def plan_results(plan: Plan, parameters: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Give the contents of the plan's ``results.json``.

    Parameters
    ----------
    plan : Plan
        Proposed or written.
    parameters : mapping, optional
        The notebook's options other than the study folder.

    Returns
    -------
    dict
        Plain JSON values. Half-widths (95 %) and smallest effects seen (chance 80 %) are of coefficients' effects in multiples of the SD of
        prints made alike, and in the unit of each response whose scatter is known.
    """
    names = plan.study.coding.names
    first = plan.runs.sort_values("print_order")
    runs = [
        {"run": str(row["run"]), "block": row["block"], **{n: row[n] for n in names}}
        for row in first.to_dict("records")
    ]
    known = {name: noise.sd for name, noise in plan.noises.items()}
    body = {
        "plan": {
            "written": plan.written,
            "runs": runs,
            "residual_df": plan.precision.df,
            "not_estimable": list(plan.support.not_estimable),
            "scatter": known,
            "effects": {
                e.term.name: {
                    "half_width": e.half_width,
                    "smallest_seen": e.smallest,
                    "in_units": {
                        name: {"half_width": e.half_width * sd, "smallest_seen": e.smallest * sd}
                        for name, sd in known.items()
                    },
                }
                for e in plan.precision.effects
            },
            "cost": {
                "grams": _sum(plan, "grams"),
                "metres": _sum(plan, "metres"),
                "hours": _sum(plan, "minutes") / 60,
            },
        }
    }
    return numbers_document(plan.study, plan.digests, body, parameters)


def _sum(plan: Plan, column: str) -> float:
    """Add up a column of the assessment; missing where it is not known for every run."""
    return float(np.sum(plan.assessment.table[column].to_numpy(dtype=float)))


def show_plan_provenance(plan: Plan, parameters: Mapping[str, Any] | None = None) -> Group:
    """Show versions, seed and the digests of the files that the plan was made from."""
    return provenance_blocks(plan.study, plan.digests, parameters)


def plan_numbers(plan: Plan, parameters: Mapping[str, Any] | None = None) -> Results:
    """Carry the numbers of the plan's ``results.json`` out of the notebook."""
    return Results(plan_results(plan, parameters))
