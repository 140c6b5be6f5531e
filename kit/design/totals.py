"""How many runs: corners, replicates and centre points that add up to what the study asks for."""

from __future__ import annotations

from collections.abc import Mapping

from kit.design.factorial import centre_runs
from kit.errors import DesignError
from kit.study.description import Study

DEFAULT_CENTRE_POINTS = 4
"""They give 3 degrees of freedom for pure error; common practice, no source."""


def centre_points(study: Study, parts: Mapping[str, int]) -> int:
    """Settle the number of centre points at each combination of levels, so that the total is as asked.

    Parameters
    ----------
    study : Study
        ``centre_points``, ``replicates`` and ``runs`` of its ``[design]``.
    parts : mapping of str to int
        Runs of one replicate by kind, such as 8 corners and 6 axial points.

    Returns
    -------
    int
        As stated; or what is left of ``runs``; or, with neither, as many as make at least 4 in all.

    Raises
    ------
    DesignError
        If there is no middle, or the stated numbers do not add up to ``runs``; with the arithmetic.
    """
    design, each = study.design, len(centre_runs(study.coding, 1))
    stated = design.centre_points
    if not study.coding.continuous:
        if stated:
            raise DesignError(
                f"centre_points = {stated}: categories have no middle; leave centre_points out."
            )
        stated, each = 0, 0
    base = design.replicates * sum(parts.values())
    if design.runs is None:
        return -(-DEFAULT_CENTRE_POINTS // each) if stated is None else stated
    left = design.runs - base
    if stated is None and each and 0 <= left <= max(base, each) and left % each == 0:
        return left // each
    if stated is not None and left == stated * each:
        return stated
    raise DesignError(_arithmetic(study, parts, base, each))


def _arithmetic(study: Study, parts: Mapping[str, int], base: int, each: int) -> str:
    """Say how the runs add up, and which totals are possible."""
    design = study.design
    corners = " + ".join(f"{n} {what}" for what, n in parts.items())
    once = f"{design.replicates} x ({corners})" if design.replicates > 1 else corners
    stated = design.centre_points
    if stated is not None and each:
        many = f"{stated} x {each}" if each > 1 else f"{stated}"
        sum_up = f"{once} + {many} centre points = {base + stated * each} runs"
    else:
        sum_up = f"{once} = {base} runs" + (" before centre points" if each else "")
    left = (design.runs or 0) - base
    if each and left >= 0 and left % each == 0:
        way = f"set centre_points = {left // each}"
    elif each and left > 0:
        below = base + left // each * each
        way = f"ask for {below} or {below + each} runs"
    else:
        way = f"ask for at least {base} runs" if each else f"ask for {base} runs, or for replicates"
    return f"{sum_up}, but runs = {design.runs}; {way}, or leave runs out."
