"""Mean squares of a balanced gauge study, the components they give, and how well those are known.

A component is a weighted sum of mean squares. Its interval is a generalised one (Weerahandi 1993; Hamada and
Weerahandi 2000 for gauge studies): every mean square is divided by a chi-square variable over its degrees of
freedom, the component computed anew, never below 0, and the quantiles taken. The chi-square points are a fixed
low-discrepancy set, so that the same readings give the same digits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import special, stats

from kit.terms import FloatArray

_POINTS = 12  # 2^12 points: limits are repeatable to about half a percent


@dataclass(frozen=True)
class Strata:
    """The mean squares of one layout.

    Attributes
    ----------
    sources : tuple of str
        Names of the k mean squares, in words.
    df : tuple of int
        Degrees of freedom, all > 0.
    ss : tuple of float
        Sums of squares, in the squared unit of the readings.
    weights : mapping of component name to tuple of float
        The k weights of the mean squares that make each component.
    """

    sources: tuple[str, ...]
    df: tuple[int, ...]
    ss: tuple[float, ...]
    weights: Mapping[str, tuple[float, ...]]

    @property
    def ms(self) -> FloatArray:
        """The mean squares, shape (k,)."""
        return np.asarray(np.array(self.ss) / np.array(self.df))

    def raw(self, name: str) -> float:
        """Give a component as the mean squares have it, perhaps below 0."""
        return float(np.dot(self.weights[name], self.ms))

    def draws(self, name: str) -> FloatArray:
        """Give the generalised distribution of a component, shape (points,), never below 0."""
        spread = np.array(self.df) * self.ms / _chi_squares(self.df)
        return np.asarray(np.maximum(spread @ np.array(self.weights[name]), 0.0))


def limits(draws: FloatArray, confidence: float) -> tuple[float, float]:
    """Give the two-sided limits of a generalised distribution."""
    tail = (1 - confidence) / 2
    low, high = np.quantile(draws, [tail, 1 - tail])
    return float(low), float(high)


@cache
def _chi_squares(df: tuple[int, ...]) -> FloatArray:
    # A Sobol set starts at 0, where the quantile is 0; half a cell further it does not.
    points = stats.qmc.Sobol(len(df), scramble=False).random_base2(_POINTS) + 0.5 / 2**_POINTS
    return np.asarray(2 * special.gammaincinv(np.array(df) / 2, points))


def crossed_strata(table: FloatArray, *, interaction: bool = True) -> Strata:
    """Split the readings of parts x operators x repeats (two-way random effects).

    Parameters
    ----------
    table : array, shape (p, o, r)
        Readings; at least two parts, two operators and two repeats.
    interaction : bool, default True
        False adds the interaction's sum of squares to the residual: operators are then taken to differ alike
        on every part.

    Returns
    -------
    Strata
        With the components ``repeatability``, ``interaction`` (if asked for), ``operator``, ``part``.

    References
    ----------
    Burdick, R. K., Borror, C. M. and Montgomery, D. C. (2005), Design and Analysis of Gauge R&R Studies, ch. 3.
    """
    p, o, r = table.shape
    grand = table.mean()
    part, operator, cell = table.mean((1, 2)), table.mean((0, 2)), table.mean(2)
    ss_part = o * r * float(((part - grand) ** 2).sum())
    ss_operator = p * r * float(((operator - grand) ** 2).sum())
    both = cell - part[:, None] - operator[None, :] + grand
    ss_both = r * float((both**2).sum())
    ss_rest = float(((table - cell[:, :, None]) ** 2).sum())
    df_both, df_rest = (p - 1) * (o - 1), p * o * (r - 1)
    weights: dict[str, tuple[float, ...]]
    if not interaction:
        weights = {
            "repeatability": (0.0, 0.0, 1.0),
            "operator": (0.0, 1 / (r * p), -1 / (r * p)),
            "part": (1 / (r * o), 0.0, -1 / (r * o)),
        }
        return Strata(
            ("parts", "operators", "residual"),
            (p - 1, o - 1, df_both + df_rest),
            (ss_part, ss_operator, ss_both + ss_rest),
            weights,
        )
    weights = {
        "repeatability": (0.0, 0.0, 0.0, 1.0),
        "interaction": (0.0, 0.0, 1 / r, -1 / r),
        "operator": (0.0, 1 / (r * p), -1 / (r * p), 0.0),
        "part": (1 / (r * o), 0.0, -1 / (r * o), 0.0),
    }
    return Strata(
        ("parts", "operators", "operators by parts", "repeat readings"),
        (p - 1, o - 1, df_both, df_rest),
        (ss_part, ss_operator, ss_both, ss_rest),
        weights,
    )


def nested_strata(table: FloatArray) -> Strata:
    """Split the readings where every operator has parts of their own.

    Parameters
    ----------
    table : array, shape (o, p, r)
        Readings of operators, their parts, repeats; at least two of each.

    Returns
    -------
    Strata
        With the components ``repeatability``, ``part`` (within operators) and ``operator``.
    """
    o, p, r = table.shape
    grand, operator, part = table.mean(), table.mean((1, 2)), table.mean(2)
    ss_operator = p * r * float(((operator - grand) ** 2).sum())
    ss_part = r * float(((part - operator[:, None]) ** 2).sum())
    ss_rest = float(((table - part[:, :, None]) ** 2).sum())
    weights = {
        "repeatability": (0.0, 0.0, 1.0),
        "part": (0.0, 1 / r, -1 / r),
        "operator": (1 / (p * r), -1 / (p * r), 0.0),
    }
    return Strata(
        ("operators", "parts of an operator", "repeat readings"),
        (o - 1, o * (p - 1), o * p * (r - 1)),
        (ss_operator, ss_part, ss_rest),
        weights,
    )


def one_way_strata(table: FloatArray, name: str, source: str) -> Strata:
    """Split the readings of one row of groups: parts of one operator, or operators on one part.

    Parameters
    ----------
    table : array, shape (g, r)
        At least two groups and two repeats.
    name, source : str
        What the component between groups is called, and its source in words.

    Returns
    -------
    Strata
        With the components ``repeatability`` and ``name``.
    """
    g, r = table.shape
    means = table.mean(1)
    ss_between = r * float(((means - table.mean()) ** 2).sum())
    ss_rest = float(((table - means[:, None]) ** 2).sum())
    weights = {"repeatability": (0.0, 1.0), name: (1 / r, -1 / r)}
    return Strata((source, "repeat readings"), (g - 1, g * (r - 1)), (ss_between, ss_rest), weights)
