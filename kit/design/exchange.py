"""Exact D- and I-optimal designs: n runs of the settable grid that serve a model best.

D makes the determinant of X'X large (small joint region of the coefficients), I the average prediction
variance over the region small. Local optima are found by coordinate exchange from many starts (Meyer &
Nachtsheim 1995, Technometrics 37, 60-69); where runs are exchangeable a first stage exchanges whole
runs for points of a coarse grid (Fedorov 1972; Cook & Nachtsheim 1980, Technometrics 22, 315-324).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from kit.design.coordinate_exchange import Offers
from kit.design.pool import candidate_pool
from kit.design.problem import DesignProblem
from kit.design.region import IntArray, Region, Terms
from kit.design.search import CoordinateStage, Effort, Elite, PointStage, iterate
from kit.errors import DesignError
from kit.terms import FloatArray

Progress = Callable[[int, int, float], None]
"""Told: starts done, starts at most, best value so far."""

DEFAULT_STARTS = 576
_BATCH = 32
_KEPT = 8
_POLISHED = 4
_PATIENCE = {"D": (6, 1), "I": (2, 2)}
"""Rounds without gain after which each stage stops; the second grows with the number of terms."""
_PATIENCE_ALONE = 3


@dataclass(frozen=True, eq=False)
class ExactDesign:
    """An exact design and how good it is.

    Attributes
    ----------
    runs : array, shape (n, k)
        Coded settings, fixed runs first as they were given; categories as level numbers.
    criterion : str
        D or I, what was made best.
    information : float
        |M|^(1/p) / n of the terms, blocks eliminated: higher is better.
    average_variance : float
        n trace(W M^-1), the average prediction variance over the region times the number of runs, in
        units of the error variance: lower is better. nan where it was not computed (criterion D).
    starts : int
        Local searches made.
    """

    runs: FloatArray
    criterion: str
    information: float
    average_variance: float
    starts: int


def exchange(
    terms: Terms,
    region: Region,
    n: int,
    criterion: str = "D",
    *,
    rng: np.random.Generator,
    starts: int = DEFAULT_STARTS,
    fixed_runs: FloatArray | None = None,
    fixed_may_break_limits: bool = False,
    blocks: Sequence[Any] | None = None,
    covariance: FloatArray | None = None,
    held: Mapping[int, Sequence[Any]] | None = None,
    progress: Progress | None = None,
) -> ExactDesign:
    """Choose the n runs that estimate a model best.

    Parameters
    ----------
    terms : sequence of tuple of int, shape (p, k)
        The model, one whole number a factor: power, or level of a category whose indicator enters
        (`kit.design.basis`).
    region : Region
        Settable levels and limits.
    n : int
        Runs in all, fixed ones included.
    criterion : {"D", "I"}, default "D"
        D for effects, I for predictions.
    rng : Generator
        Source of chance: the same state gives the same design.
    starts : int, default 576
        Most local searches; it stops earlier when the best has not improved for some rounds.
    fixed_runs : array, shape (f, k), optional
        Coded runs that come first and are kept bit for bit; they need not lie on the grid.
    fixed_may_break_limits : bool, default False
        True for printed runs, which may lie outside limits set later.
    blocks : sequence, shape (n,), optional
        Block label of each run, fixed effects coded sum-to-zero.
    covariance : array, shape (n, n), optional
        Covariance of the errors, up to a factor; default independent.
    held : mapping of factor number to labels, shape (n,), optional
        Runs with the same label share the level of that factor (hard to change).
    progress : callable, optional
        Called with starts done, most starts, best criterion value so far (-log|M| or trace(W M^-1)).

    Returns
    -------
    ExactDesign
        The best design found.

    Raises
    ------
    DesignError
        If there are too few runs, no allowed setting, a factor that cannot move, terms that the
        allowed settings cannot tell apart, or fixed runs that contradict the limits or one another.

    Examples
    --------
    A parabola in six runs; two at each end and two in the middle (Kiefer & Wolfowitz 1960):

    >>> region = Region([np.linspace(-1, 1, 21)])
    >>> design = exchange([(0,), (1,), (2,)], region, 6, rng=np.random.default_rng(1))
    >>> sorted(abs(design.runs[:, 0]).round(2).tolist())
    [0.0, 0.0, 1.0, 1.0, 1.0, 1.0]
    """
    problem = DesignProblem(
        terms,
        region,
        n,
        criterion,
        fixed_runs=fixed_runs,
        fixed_may_break_limits=fixed_may_break_limits,
        blocks=blocks,
        covariance=covariance,
        held=held,
    )
    if starts < 1:
        raise DesignError(f"starts must be at least 1, got {starts}.")
    index, done = _search(problem, starts, rng, progress)
    return _finish(problem, index, done)


def added_runs(
    terms: Terms,
    region: Region,
    printed: FloatArray,
    m: int,
    criterion: str = "I",
    *,
    rng: np.random.Generator,
    starts: int = DEFAULT_STARTS,
    printed_blocks: Sequence[Any] | None = None,
) -> FloatArray:
    """Choose the m runs that, added to those already printed, serve given terms best.

    The added runs start a block of their own: another day and maybe another spool.

    Parameters
    ----------
    terms : sequence of tuple of int, shape (p, k)
        The model wanted after the added round.
    region : Region
        Where the added runs may lie.
    printed : array, shape (f, k)
        Coded runs already printed, as really set; they may lie off the grid and outside the limits.
    m : int
        Number of runs to add.
    criterion : {"I", "D"}, default "I"
        I narrows the doubt of predictions; D separates effects.
    rng : Generator
        Source of chance.
    starts : int
        Most local searches.
    printed_blocks : sequence, shape (f,), optional
        Blocks of the printed runs; default one block.

    Returns
    -------
    array, shape (m, k)
        The runs to add.

    Raises
    ------
    DesignError
        As `exchange`; also if ``m`` is below 2, or blocks are not one a printed run.
    """
    printed = np.asarray(printed, dtype=float)
    if m < 2:
        raise DesignError(
            f"{m} added run{'' if m == 1 else 's'}; ask for at least 2. They are a block of their own, "
            "and one run would only tell how that block differs."
        )
    if printed_blocks is not None and len(printed_blocks) != len(printed):
        raise DesignError(f"{len(printed_blocks)} block labels for {len(printed)} printed runs.")
    labels = [0] * len(printed) if printed_blocks is None else list(printed_blocks)
    number = {label: i for i, label in enumerate(dict.fromkeys(labels))}
    design = exchange(
        terms,
        region,
        len(printed) + m,
        criterion,
        rng=rng,
        starts=starts,
        fixed_runs=printed,
        fixed_may_break_limits=True,
        blocks=[number[label] for label in labels] + [len(number)] * m,
    )
    return design.runs[len(printed) :]


class _Count:
    """Counts local searches and tells whoever wants to know."""

    def __init__(self, most: int, progress: Progress | None) -> None:
        self.most, self.done, self.progress = most, 0, progress

    @property
    def left(self) -> int:
        return max(self.most - self.done, 0)

    def tell(self, batch: int, best: float) -> None:
        self.done += batch
        if self.progress is not None:
            self.progress(self.done, self.most, best)


def _search(
    problem: DesignProblem, starts: int, rng: np.random.Generator, progress: Progress | None
) -> tuple[IntArray, int]:
    """Search in stages; give the best design's level numbers, shape (n, k), and the starts made."""
    count = _Count(starts, progress)
    elite = Elite(_KEPT)
    if len(problem.free):
        if problem.is_plain:
            _search_points_first(problem, elite, rng, count)
        else:
            _search_settings(problem, elite, rng, count)
        if elite.designs is None:  # too few starts for a hard case
            count.most = count.done + _BATCH
            _search_settings(problem, elite, rng, count)
    else:
        elite.offer(problem.fixed[None], problem.value(problem.fixed[None]))
    if elite.designs is None:
        raise DesignError(
            "no design was found that can estimate all terms. "
            "Add runs, drop terms or loosen the limits."
        )
    polish = CoordinateStage(problem, tolerance=1e-8, passes=60, coarse=False)
    designs = polish.improve(elite.designs[:_POLISHED].copy())
    elite.offer(designs, polish.value(designs))
    return elite.designs[0], count.done


def _search_points_first(
    problem: DesignProblem, elite: Elite, rng: np.random.Generator, count: _Count
) -> None:
    """Find good designs among the points of a pool, then better ones from them."""
    points = PointStage(problem, candidate_pool(problem.basis, rng))
    first = Elite(_KEPT)
    budget = count.most if count.most <= 2 * _BATCH else (5 * count.most) // 9
    patience, later = _PATIENCE[problem.criterion]
    effort = Effort(share=0.2, fresh=0.25, patience=patience, batch=_BATCH)
    iterate(points, first, rng, budget, effort, count.tell)
    stage = CoordinateStage(problem, tolerance=1e-4, passes=6, coarse=True)
    if first.designs is not None:
        designs = stage.improve(points.whole(first.designs))
        elite.offer(designs, stage.value(designs))
    effort = Effort(share=0.15, fresh=0.0, patience=later + problem.p // 14, batch=_BATCH)
    iterate(stage, elite, rng, count.left, effort, count.tell)


def _search_settings(
    problem: DesignProblem, elite: Elite, rng: np.random.Generator, count: _Count
) -> None:
    """Search over single settings only: runs differ by their block or whole plot."""
    pool = candidate_pool(problem.basis, rng) if problem.region.is_cut else None
    offers = None if pool is None else Offers(pool, rng)
    stage = CoordinateStage(problem, tolerance=1e-4, passes=6, coarse=True, offers=offers)
    patience = _PATIENCE_ALONE + problem.p // 14
    effort = Effort(share=0.12, fresh=0.25, patience=patience, batch=_BATCH)
    iterate(stage, elite, rng, count.left, effort, count.tell)


def _finish(problem: DesignProblem, index: IntArray, starts: int) -> ExactDesign:
    """Turn level numbers into settings and measure the design once more, from scratch."""
    runs = problem.basis.values(index)
    runs[: len(problem.fixed)] = problem.fixed_runs
    M = problem.information(problem.rows(index[None]))[0]
    p, n = problem.basis.p, problem.n
    blocks = np.linalg.slogdet(M[p:, p:])[1] if problem.p > p else 0.0
    logdet = float(np.linalg.slogdet(M)[1] - blocks)
    variance = float("nan")
    if problem.moments is not None:
        variance = n * float(np.sum(problem.moments * np.linalg.inv(M)))
    return ExactDesign(runs, problem.criterion, float(np.exp(logdet / p)) / n, variance, starts)
