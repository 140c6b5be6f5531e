"""Small steps around settings that are known to be good, on prints that are useful anyway.

Evolutionary operation (Box 1957, Applied Statistics 6, 81-101; Box & Draper, Evolutionary Operation,
1969): two or three factors, steps so small that every print is still a good one, a cycle of corners and
the middle printed again and again; what is learnt adds up from cycle to cycle.
"""

from __future__ import annotations

import numpy as np

from kit.design.factorial import CENTRE, CORNER, CodedRuns, check_size, two_level_corners
from kit.errors import DesignError
from kit.study.description import Study

CYCLES = 3
"""Cycles planned at first where the study does not say; common practice, no source."""


def small_steps(study: Study) -> CodedRuns:
    """Lay out cycles of corners and the known good settings, which are the middle of low and high.

    Parameters
    ----------
    study : Study
        Two or three factors on a scale; ``replicates`` is the number of cycles.

    Returns
    -------
    CodedRuns
        One block a cycle: the middle first, then the corners.

    Raises
    ------
    DesignError
        If the factors do not fit, or ``runs`` or ``blocks`` contradict the cycles.
    """
    coding, design = study.coding, study.design
    k = len(coding.factors)
    if coding.categories or not 2 <= k <= 3:
        raise DesignError(
            f"Small steps are for two or three factors on a scale, not {k}"
            f"{' with categories' if coding.categories else ''}; hold the others at their known good settings."
        )
    centre = 1 if design.centre_points is None else design.centre_points
    corners = two_level_corners(k)
    size = len(corners) + centre
    cycles = _cycles(study, size)
    check_size(size * cycles)
    one = np.vstack([np.zeros((centre, k)), corners])
    kind = ((CENTRE,) * centre + (CORNER,) * len(corners)) * cycles
    block = np.repeat(np.arange(cycles, dtype=np.intp), size) + 1
    middle = ", ".join(f"{f.name} {f.middle:g}" for f in coding.factors)
    note = (
        f"{cycles} cycles of {size} prints around {middle}, the known good settings. After each cycle the report says whether "
        "to move, stay or go on; more cycles can be added."
    )
    return CodedRuns(np.tile(one, (cycles, 1)), block, kind, (note,))


def _cycles(study: Study, size: int) -> int:
    design = study.design
    asked = {v for v in (design.blocks, design.replicates) if v > 1}
    if design.runs is not None:
        if design.runs % size:
            raise DesignError(
                f"runs = {design.runs}: a cycle has {size} prints; ask for a multiple, or leave runs out."
            )
        asked.add(design.runs // size)
    if len(asked) > 1:
        raise DesignError(
            f"A cycle is a block and a replicate: {' and '.join(map(str, sorted(asked)))} cycles are asked for at once; "
            "set replicates only."
        )
    return asked.pop() if asked else CYCLES
