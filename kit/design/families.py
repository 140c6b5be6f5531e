"""From a study to the coded runs of the family it asks for.

`BUILDERS` is the whole dispatch: a family joins by adding its function here.
"""

from __future__ import annotations

from collections.abc import Callable

from kit.design.aberration import LARGEST_BASIS, Fraction, fraction_for, minimum_aberration
from kit.design.box_behnken import CENTRE_POINTS, box_behnken, edge_points
from kit.design.composite import central_composite
from kit.design.factorial import CodedRuns, centre_runs, crossed_corners, full_factorial
from kit.design.fractional import check_two_levels, fractional_factorial
from kit.design.height_stacked import height_stacked
from kit.design.screening import (
    FIRST_ROWS,
    conference_matrix,
    definitive_order,
    definitive_screening,
    plackett_burman,
    smallest_plackett_burman,
)
from kit.design.small_steps import small_steps
from kit.design.tailored import optimal, split_plot
from kit.design.totals import centre_points
from kit.errors import DesignError
from kit.study.description import Study
from kit.terms import expand_terms

Builder = Callable[[Study], CodedRuns]


def _full_factorial(study: Study) -> CodedRuns:
    corners = len(crossed_corners(study.coding)[0])
    design = study.design
    return full_factorial(
        study.coding,
        centre_points=centre_points(study, {"corners": corners}),
        replicates=design.replicates,
        blocks=design.blocks,
    )


def _central_composite(study: Study) -> CodedRuns:
    coding, design = study.coding, study.design
    stars = 2 * len(coding.continuous) * len(centre_runs(coding, 1))
    parts = {"corners": len(crossed_corners(coding)[0]), "axial points": stars}
    return central_composite(
        coding,
        axial=design.axial,
        centre_points=centre_points(study, parts),
        replicates=design.replicates,
        blocks=design.blocks,
    )


def _box_behnken(study: Study) -> CodedRuns:
    coding, design = study.coding, study.design
    levels = len(centre_runs(coding, 1))
    edges = len(edge_points(len(coding.continuous))[0]) * levels
    number: int | None = CENTRE_POINTS[len(coding.continuous)]
    if design.centre_points is not None or design.runs is not None:
        number = centre_points(study, {"edge points": edges})
    return box_behnken(
        coding, centre_points=number, replicates=design.replicates, blocks=design.blocks
    )


def _fractional_factorial(study: Study) -> CodedRuns:
    check_two_levels(study.coding, "A fraction")
    fraction = _fraction(study)
    return fractional_factorial(
        study.coding,
        fraction,
        centre_points=centre_points(study, {"corners": fraction.runs}),
        replicates=study.design.replicates,
        blocks=study.design.blocks,
    )


def _fraction(study: Study) -> Fraction:
    """Choose the size of the fraction: what the total allows, else what the model needs."""
    k, design = len(study.factors), study.design
    if k < 3:
        raise DesignError(
            f'{k} factors are too few for a fraction; write family = "full_factorial".'
        )
    if design.runs is None:
        return fraction_for(k, _resolution(study))
    centre = design.centre_points or 0
    most = (design.runs - centre) // design.replicates
    basis = min(most.bit_length() - 1, LARGEST_BASIS, k)
    if basis < 2 or k >= 1 << basis:
        least = next(b for b in range(2, LARGEST_BASIS + 1) if k < 1 << b)
        raise DesignError(
            f"runs = {design.runs}: a fraction for {k} factors has at least {1 << least} corners; ask for "
            f"{design.replicates * (1 << least) + centre} runs or more, or leave runs out."
        )
    return minimum_aberration(k, basis)


def _resolution(study: Study) -> int:
    """Ask for main effects clear of interactions; for interactions clear of each other where they are wanted."""
    if "terms" not in study.model.model_fields_set:
        return 4
    wanted = expand_terms(study.coding, study.planned_terms)
    return 5 if any(len(t.factors) == 2 for t in wanted) else 4


def _plackett_burman(study: Study) -> CodedRuns:
    k, design = len(study.factors), study.design
    corners = smallest_plackett_burman(k)
    if design.runs is not None:
        most = (design.runs - (design.centre_points or 0)) // design.replicates
        fitting = [n for n in FIRST_ROWS if k < n <= most]
        if not fitting:
            raise DesignError(
                f"runs = {design.runs}: a Plackett-Burman design for {k} factors has at least {corners} runs; ask for "
                f"{corners * design.replicates + (design.centre_points or 0)} or more."
            )
        corners = fitting[-1]
    return plackett_burman(
        study.coding,
        corners,
        centre_points=centre_points(study, {"screening runs": corners}),
        replicates=design.replicates,
        blocks=design.blocks,
    )


def _definitive_screening(study: Study) -> CodedRuns:
    k, design = len(study.factors), study.design
    order = min(definitive_order(k), 14)
    extra = design.centre_points or 0
    if design.runs is not None:
        most = (design.runs - extra) // design.replicates
        order = min((most - 1) // 2 // 2 * 2, 14, definitive_order(k))
        least = definitive_order(k, 0)
        if order < least:
            raise DesignError(
                f"runs = {design.runs}: definitive screening of {k} factors takes at least {2 * least + 1} runs."
            )
    conference_matrix(order)
    parts = {"screening runs": 2 * order, "centre point of its own": 1}
    if design.runs is not None:
        extra = centre_points(study, parts)
    return definitive_screening(
        study.coding,
        order,
        centre_points=extra,
        replicates=design.replicates,
        blocks=design.blocks,
    )


BUILDERS: dict[str, Builder] = {
    "full_factorial": _full_factorial,
    "fractional_factorial": _fractional_factorial,
    "plackett_burman": _plackett_burman,
    "definitive_screening": _definitive_screening,
    "central_composite": _central_composite,
    "box_behnken": _box_behnken,
    "optimal": optimal,
    "split_plot": split_plot,
    "height_stacked": height_stacked,
    "small_steps": small_steps,
}
"""Family of ``[design]`` to the function that makes its coded runs."""
