"""Split-plot plans: some factors are changed seldom, and the plan is best under what that costs.

Runs printed with one setting of the hard-to-change factors form a whole plot and share a random error.
With eta the variance between whole plots over the variance within, the errors' covariance is
I + eta Z Z' (Z: which run is in which plot), and the best plan is the one with the best X'V^-1 X
(Goos & Vandebroek 2001; Jones & Goos 2007, JRSS C 56, 347-364; Goos & Jones 2011, chapter 10).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from kit.design.exchange import DEFAULT_STARTS, ExactDesign, Progress, exchange
from kit.design.region import IntArray, Region, Terms
from kit.errors import DesignError
from kit.terms import FloatArray


def plot_labels(n: int, plots: int) -> IntArray:
    """Share n runs among whole plots as evenly as can be, the larger plots first.

    Parameters
    ----------
    n, plots : int
        Runs, and whole plots (the number of settings of the hard-to-change factors).

    Returns
    -------
    array of int, shape (n,)
        Plot number of each run, 0, 0, ..., 1, ...

    Raises
    ------
    DesignError
        If there are no plots, or more than runs.

    Examples
    --------
    >>> plot_labels(7, 3).tolist()
    [0, 0, 0, 1, 1, 2, 2]
    """
    if not 1 <= plots <= n:
        raise DesignError(
            f"{plots} settings of the hard-to-change factors for {n} runs; use 1 to {n}."
        )
    sizes = [n // plots + (i < n % plots) for i in range(plots)]
    return np.repeat(np.arange(plots), sizes)


def plot_covariance(labels: Sequence[Any] | IntArray, ratio: float) -> FloatArray:
    """Give the covariance I + ratio Z Z' of runs in whole plots, in units of the error within.

    Parameters
    ----------
    labels : sequence, shape (n,)
        Whole plot of each run.
    ratio : float
        Variance between whole plots over variance within, >= 0.

    Returns
    -------
    array, shape (n, n)
        Symmetric, positive definite.

    Raises
    ------
    DesignError
        If the ratio is negative or not finite.
    """
    if not (np.isfinite(ratio) and ratio >= 0):
        raise DesignError(f"the variance ratio is {ratio}; it must be 0 or more (1 if not known).")
    given = np.asarray(labels)
    same = given[:, None] == given[None, :]
    V: FloatArray = np.eye(len(given)) + ratio * same
    return V


def split_plot_exchange(
    terms: Terms,
    region: Region,
    labels: Sequence[Any] | IntArray,
    hard: Sequence[int],
    criterion: str = "D",
    *,
    rng: np.random.Generator,
    ratio: float = 1.0,
    starts: int = DEFAULT_STARTS,
    fixed_runs: FloatArray | None = None,
    fixed_may_break_limits: bool = False,
    progress: Progress | None = None,
) -> ExactDesign:
    """Choose the runs of a plan in which some factors change only between whole plots.

    Parameters
    ----------
    terms : sequence of tuple of int, shape (p, k)
        The model (`kit.design.basis`).
    region : Region
        Settable levels and limits.
    labels : sequence, shape (n,)
        Whole plot of each run; see `plot_labels`.
    hard : sequence of int
        Numbers of the hard-to-change factors.
    criterion : {"D", "I"}, default "D"
        D for effects, I for predictions, under the split-plot variance.
    rng : Generator
        Source of chance: the same state gives the same design.
    ratio : float, default 1
        Variance between whole plots over variance within; plans depend little on it.
    starts : int
        Most local searches.
    fixed_runs : array, shape (f, k), optional
        Coded runs that come first and are kept.
    fixed_may_break_limits : bool, default False
        True for printed runs.
    progress : callable, optional
        As in `exchange`.

    Returns
    -------
    ExactDesign
        Runs in the order of ``labels``; the values are under the split-plot variance.

    Raises
    ------
    DesignError
        As `exchange`; also if a factor number does not exist, nothing is easy to change, or there are
        fewer whole plots than the terms of the hard-to-change factors alone.

    Examples
    --------
    One factor changed four times, one in every run:

    >>> region = Region([[-1, 1], [-1, 1]])
    >>> labels = plot_labels(8, 4)
    >>> plan = split_plot_exchange(
    ...     [(0, 0), (1, 0), (0, 1), (1, 1)], region, labels, [0], rng=np.random.default_rng(1)
    ... )
    >>> [len(set(plan.runs[labels == w, 0])) for w in range(4)], abs(plan.runs.sum(axis=0)).tolist()
    ([1, 1, 1, 1], [0.0, 0.0])
    """
    hard = sorted({int(j) for j in hard})
    if any(not 0 <= j < region.k for j in hard):
        raise DesignError(
            f"hard-to-change factors {hard}: there are only factors 0 to {region.k - 1}."
        )
    if len(hard) == region.k:
        raise DesignError(
            "every factor is hard to change: use one run a setting, or a plain design."
        )
    _check_plots(terms, labels, hard)
    return exchange(
        terms,
        region,
        len(labels),
        criterion,
        rng=rng,
        starts=starts,
        fixed_runs=fixed_runs,
        fixed_may_break_limits=fixed_may_break_limits,
        covariance=plot_covariance(labels, ratio),
        held={j: list(labels) for j in hard},
        progress=progress,
    )


def _check_plots(terms: Terms, labels: Sequence[Any] | IntArray, hard: Sequence[int]) -> None:
    E = np.asarray(terms, dtype=np.intp)
    if E.ndim != 2:
        return
    easy = [j for j in range(E.shape[1]) if j not in hard]
    alone = int((E[:, easy] == 0).all(axis=1).sum())
    plots = len(set(np.asarray(labels).tolist()))
    if plots < alone:
        raise DesignError(
            f"{plots} settings of the hard-to-change factors cannot estimate their {alone} terms "
            f"(intercept included). Use at least {alone} changes or drop their terms."
        )
