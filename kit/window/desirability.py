"""Desirability: how well fitted means suit the wishes, for ranking when no setting is good enough.

It looks at means only and knows nothing of scatter, so it never replaces the chance that a part meets
its requirements; the window uses it to name a best compromise and says so.

References
----------
Derringer, G. and Suich, R. (1980), Simultaneous optimization of several response variables, Journal of
Quality Technology 12(4), 214-219.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kit.study.description import Response
from kit.terms import FloatArray
from kit.window.probability import limits_of


@dataclass(frozen=True)
class Goal:
    """The wish for one response: nothing outside ``low`` to ``high``, best at ``target``.

    Attributes
    ----------
    low : float or None
        Desirability is 0 at and below it; None = smaller is never worse than the target.
    target : float
        Desirability 1.
    high : float or None
        Desirability is 0 at and above it; None = larger is never worse than the target.
    weight : float
        Importance in the overall desirability.
    """

    low: float | None
    target: float
    high: float | None
    weight: float = 1.0


def larger_is_better(y: FloatArray, low: float, target: float, *, shape: float = 1.0) -> FloatArray:
    """Rise from 0 at ``low`` to 1 at ``target`` and stay there.

    Parameters
    ----------
    y : array, any shape
        Fitted means.
    low, target : float
        In the unit of ``y``.
    shape : float
        Exponent, > 0; 1 is a straight rise.

    Returns
    -------
    array, the shape of ``y``
        0 to 1; 0 everywhere below ``target`` when ``low >= target``.

    Examples
    --------
    >>> larger_is_better(np.array([110.0, 145.0, 180.0]), 120, 170)
    array([0. , 0.5, 1. ])
    """
    y = np.asarray(y, dtype=float)
    if low >= target:
        return np.asarray(np.where((y >= target) & (y > low), 1.0, 0.0))
    return np.asarray(np.clip((y - low) / (target - low), 0.0, 1.0) ** shape)


def smaller_is_better(
    y: FloatArray, target: float, high: float, *, shape: float = 1.0
) -> FloatArray:
    """Stay at 1 up to ``target`` and fall to 0 at ``high``; otherwise as `larger_is_better`."""
    return larger_is_better(-np.asarray(y, dtype=float), -high, -target, shape=shape)


def target_is_best(
    y: FloatArray,
    low: float,
    target: float,
    high: float,
    *,
    shapes: tuple[float, float] = (1.0, 1.0),
) -> FloatArray:
    """Rise from 0 at ``low`` to 1 at ``target`` and fall to 0 at ``high``.

    Parameters
    ----------
    y : array, any shape
        Fitted means.
    low, target, high : float
        In the unit of ``y``, ``low <= target <= high``.
    shapes : (float, float)
        Exponents below and above the target, > 0.

    Returns
    -------
    array, the shape of ``y``
        0 to 1.

    Examples
    --------
    >>> target_is_best(np.array([390.0, 465.0, 500.0, 575.0]), 400, 500, 600)
    array([0.  , 0.65, 1.  , 0.25])
    """
    below = larger_is_better(y, low, target, shape=shapes[0])
    above = smaller_is_better(y, target, high, shape=shapes[1])
    return np.asarray(np.where(np.asarray(y) == target, 1.0, np.minimum(below, above)))


def goal_for(response: Response, means: FloatArray) -> Goal | None:
    """Read the wish for a response from its limits and target.

    Parameters
    ----------
    response : Response
        Its lower, upper, target and weight.
    means : array, shape (m,)
        Fitted means over the tried region: they set what is missing.

    Returns
    -------
    Goal or None
        None without limits and target. One limit without target: the best mean in the tried region
        is the target. Two limits without target: the middle. A target without limits: desirability 0
        at the fitted mean farthest from it (common practice, no source).
    """
    if response.passes_or_fails:  # its mean is the chance to pass: as good as it is
        return Goal(0.0, 1.0, None, response.weight) if response.has_limits else None
    low, high, target = response.lower, response.upper, response.target
    if low is None and high is None:
        if target is None:
            return None
        far = float(np.abs(means - target).max())
        return Goal(target - far, target, target + far, response.weight)
    if target is None:
        if low is not None and high is not None:
            target = (low + high) / 2
        else:
            target = float(means.max() if low is not None else means.min())
    return Goal(low, target, high, response.weight)


def individual(goal: Goal, y: FloatArray) -> FloatArray:
    """Give the desirability of one response, shape 1 (straight lines); array of the shape of ``y``."""
    if goal.low is not None and goal.high is not None:
        return target_is_best(y, goal.low, goal.target, goal.high)
    if goal.low is not None:
        return larger_is_better(y, goal.low, goal.target)
    assert goal.high is not None  # goal_for gives at least one end
    return smaller_is_better(y, goal.target, goal.high)


def overall(parts: FloatArray, weights: Sequence[float]) -> FloatArray:
    """Give the weighted geometric mean of desirabilities.

    Parameters
    ----------
    parts : array, shape (m, q)
        Individual desirabilities, 0 to 1.
    weights : sequence of float, length q
        Importances, > 0.

    Returns
    -------
    array, shape (m,)
        0 where any part is 0.

    Examples
    --------
    >>> overall(np.array([[0.25, 1.0], [0.0, 1.0]]), [1, 1])
    array([0.5, 0. ])
    """
    share = np.asarray(weights, dtype=float) / np.sum(weights)
    return np.asarray(np.prod(np.asarray(parts, dtype=float) ** share, axis=1))


def desirability(responses: Sequence[Response], means: FloatArray) -> FloatArray | None:
    """Rank settings by overall desirability.

    Parameters
    ----------
    responses : sequence of Response
        The q responses.
    means : array, shape (m, q)
        Fitted means at all printable settings of the tried region.

    Returns
    -------
    array, shape (m,), or None
        None when no response states a wish.
    """
    goals = [goal_for(r, means[:, i]) for i, r in enumerate(responses)]
    stated = [(i, g) for i, g in enumerate(goals) if g is not None]
    if not stated:
        return None
    parts = np.column_stack([individual(g, means[:, i]) for i, g in stated])
    return overall(parts, [g.weight for _, g in stated])


def largest_shortfall(
    responses: Sequence[Response], means: FloatArray, scales: FloatArray
) -> FloatArray:
    """Measure how far the worst response is outside its limits, in scales of one new part.

    Parameters
    ----------
    responses : sequence of Response
        The q responses; those without limits cannot fall short.
    means, scales : array, shape (m, q)
        Fitted means and scales of one new part, in the responses' units.

    Returns
    -------
    array, shape (m,)
        Largest over the responses; negative where every mean keeps a distance from its limits.
    """
    low, high = limits_of(responses)
    return np.asarray(np.maximum((low - means) / scales, (means - high) / scales).max(axis=1))
