"""Differences of levels: with limits by themselves and for all at once, and what they say about a margin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy import stats

from kit.model.equivalence import Equivalence, equivalence, holm
from kit.model.reduction import IntArray
from kit.model.simultaneous import (
    against_one_factor,
    against_one_p,
    all_pairs_factor,
    all_pairs_p,
)
from kit.terms import FloatArray

INTERVAL = 0.95
MORE, LESS, DIFFERS, OPEN = "more than margin", "less than margin", "differs", "open"


@dataclass(frozen=True)
class Pair:
    """The difference of two levels, second minus first.

    Attributes
    ----------
    first, second : str
    estimate, std_error, df : float
        In the response's unit.
    low, high : float
        95 % limits of this difference by itself.
    low_all, high_all : float
        95 % limits that hold for all pairs compared at once.
    p : float
        Two-sided, adjusted for all pairs.
    equivalence : Equivalence or None
        Against the margin, by itself; None without a margin.
    p_equivalence : float
        Adjusted for all pairs by Holm's rule; missing without a margin.
    verdict : str
        ``more than margin``, ``less than margin``, ``differs`` (whether by more than the margin is open)
        or ``open``.
    """

    first: str
    second: str
    estimate: float
    std_error: float
    df: float
    low: float
    high: float
    low_all: float
    high_all: float
    p: float
    equivalence: Equivalence | None
    p_equivalence: float
    verdict: str


def pair_places(present: Sequence[str], against: str) -> IntArray:
    """Give the pairs as places among the levels, shape (m, 2): all, or the reference with each other.

    Returns
    -------
    array of int, shape (m, 2)

    Examples
    --------
    >>> pair_places(["white", "pink", "green"], "pink").tolist()
    [[1, 0], [1, 2]]
    """
    if against:
        home = list(present).index(against)
        return np.array([(home, k) for k in range(len(present)) if k != home])
    return np.array(list(combinations(range(len(present)), 2)))


def differences(
    present: Sequence[str],
    places: IntArray,
    estimate: FloatArray,
    std_error: FloatArray,
    df: FloatArray,
    share: FloatArray,
    *,
    margin: float | None,
    against_one: bool,
) -> tuple[Pair, ...]:
    """Judge differences of levels.

    Parameters
    ----------
    present : sequence of str
        The levels.
    places : array of int, shape (m, 2)
        From `pair_places`.
    estimate, std_error, df : array, shape (m,)
        Second minus first.
    share : array, shape (m,)
        Share of the first level's variance in each difference, for many against one.
    margin : float or None
        Equivalence margin.
    against_one : bool
        Many against one, or all pairs.

    Returns
    -------
    tuple of Pair
    """
    t = estimate / std_error
    own = stats.t.ppf((1 + INTERVAL) / 2, df) * std_error
    if against_one:
        p, reach = against_one_p(t, share, df), against_one_factor(share, df) * std_error
    else:
        p = all_pairs_p(t, len(present), df)
        reach = all_pairs_factor(len(present), df) * std_error
    tests = [
        None if margin is None else equivalence(float(e), float(s), float(d), margin)
        for e, s, d in zip(estimate, std_error, df, strict=True)
    ]
    shown = holm([np.nan if test is None else test.p for test in tests])
    return tuple(
        Pair(
            first=present[first],
            second=present[second],
            estimate=float(estimate[k]),
            std_error=float(std_error[k]),
            df=float(df[k]),
            low=float(estimate[k] - own[k]),
            high=float(estimate[k] + own[k]),
            low_all=float(estimate[k] - reach[k]),
            high_all=float(estimate[k] + reach[k]),
            p=float(p[k]),
            equivalence=tests[k],
            p_equivalence=float(shown[k]),
            verdict=_verdict(
                float(estimate[k] - reach[k]),
                float(estimate[k] + reach[k]),
                float(shown[k]),
                margin,
            ),
        )
        for k, (first, second) in enumerate(places)
    )


def _verdict(low: float, high: float, p_equivalence: float, margin: float | None) -> str:
    if margin is not None and (low > margin or high < -margin):
        return MORE
    if margin is not None and p_equivalence < 1 - INTERVAL:
        return LESS
    return DIFFERS if low > 0 or high < 0 else OPEN


def own_shares(rows: FloatArray, covariance: FloatArray, places: IntArray) -> FloatArray:
    """Give the share of the first level's own variance in each difference; what both share drops out.

    Parameters
    ----------
    rows : array, shape (n_levels, p)
        Level means as combinations of coefficients.
    covariance : array, shape (p, p)
        Of the coefficients.
    places : array of int, shape (m, 2)
        The pairs.

    Returns
    -------
    array, shape (m,)
        0 to 1.
    """
    i, j = places.T
    between = rows @ covariance @ rows.T
    common = between[i, j]
    first, second = np.diag(between)[i] - common, np.diag(between)[j] - common
    return np.asarray(np.clip(first / (first + second), 0.0, 1.0))
