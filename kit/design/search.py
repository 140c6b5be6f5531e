"""Many starts, and better ones from the best: the search over local optima of an exact design.

A local search from random starts finds good designs; restarting it from its best designs with a few
runs drawn anew (iterated local search) finds better ones in the same time. Both local searches, over
the points of a short list and over single settings, are used here in the same way.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from kit.design.coordinate_exchange import Offers, exchange_coordinates
from kit.design.information import criterion_value
from kit.design.point_exchange import exchange_points
from kit.design.problem import DesignProblem
from kit.design.region import IntArray
from kit.terms import FloatArray

_SAME = 1e-7


class Stage(Protocol):
    """One way of searching; designs are arrays of whole numbers, the first axis counting them."""

    def draw(self, S: int, rng: np.random.Generator) -> IntArray:
        """Draw S random designs."""
        ...

    def perturb(self, designs: IntArray, share: float, rng: np.random.Generator) -> IntArray:
        """Copy designs with about that share of their runs drawn anew."""
        ...

    def improve(self, designs: IntArray) -> IntArray:
        """Go to the local optimum of each."""
        ...

    def value(self, designs: IntArray) -> FloatArray:
        """Give the criterion, small is good."""
        ...


class PointStage:
    """Search among the points of a pool; a design is the numbers of its free runs' points."""

    def __init__(self, problem: DesignProblem, pool: IntArray) -> None:
        self.pool = problem.basis.rows(pool)
        self.index = pool
        self.free = len(problem.free)
        self.problem = problem
        fixed = problem.basis.rows(problem.fixed)
        self.base = fixed.T @ fixed

    def draw(self, S: int, rng: np.random.Generator) -> IntArray:
        """Draw S random designs."""
        return rng.integers(0, len(self.pool), size=(S, self.free), dtype=np.intp)

    def perturb(self, designs: IntArray, share: float, rng: np.random.Generator) -> IntArray:
        """Copy designs with about that share of their runs drawn anew."""
        return np.where(rng.random(designs.shape) < share, self.draw(len(designs), rng), designs)

    def improve(self, designs: IntArray) -> IntArray:
        """Exchange runs for points of the pool."""
        return exchange_points(self.pool, designs, self.base, self.problem.moments)

    def value(self, designs: IntArray) -> FloatArray:
        """Give the criterion, small is good."""
        rows = self.pool[designs]
        return criterion_value(self.base + rows.transpose(0, 2, 1) @ rows, self.problem.moments)

    def whole(self, designs: IntArray) -> IntArray:
        """Give designs as level numbers of all runs, shape (S, n, k)."""
        fixed = np.broadcast_to(self.problem.fixed, (len(designs), *self.problem.fixed.shape))
        return np.concatenate([fixed, self.index[designs]], axis=1)


class CoordinateStage:
    """Search over single settings; a design is the level numbers of all its runs, (n, k)."""

    def __init__(
        self,
        problem: DesignProblem,
        *,
        tolerance: float,
        passes: int,
        coarse: bool,
        offers: Offers | None = None,
    ) -> None:
        self.problem, self.tolerance, self.offers = problem, tolerance, offers
        self.passes, self.coarse = passes, coarse

    def draw(self, S: int, rng: np.random.Generator) -> IntArray:
        """Draw S random designs."""
        return self.problem.starts(S, rng)

    def perturb(self, designs: IntArray, share: float, rng: np.random.Generator) -> IntArray:
        """Copy designs with about that share of their runs drawn anew."""
        return self.problem.perturb(designs, share, rng)

    def improve(self, designs: IntArray) -> IntArray:
        """Exchange settings."""
        return exchange_coordinates(
            self.problem,
            designs,
            tolerance=self.tolerance,
            passes=self.passes,
            coarse=self.coarse,
            offers=self.offers,
        )

    def value(self, designs: IntArray) -> FloatArray:
        """Give the criterion, small is good."""
        return self.problem.value(designs)


class Elite:
    """The best designs so far, all different, best first."""

    def __init__(self, keep: int) -> None:
        self.keep = keep
        self.designs: IntArray | None = None
        self.values = np.empty(0)

    @property
    def best(self) -> float:
        """The least criterion so far."""
        return float(self.values[0]) if self.values.size else np.inf

    def offer(self, designs: IntArray, values: FloatArray) -> bool:
        """Take in designs that are good enough; say whether the best became better."""
        before = self.best
        good = np.isfinite(values)
        designs, values = designs[good], values[good]
        if self.designs is not None:
            designs = np.concatenate([self.designs, designs])
            values = np.concatenate([self.values, values])
        order = np.argsort(values, kind="stable")
        v = values[order]
        new = np.ones(len(v), dtype=bool)
        new[1:] = np.diff(v) > _SAME * np.maximum(np.abs(v[1:]), 1.0)
        order = order[new][: self.keep]
        if order.size:
            self.designs, self.values = designs[order].copy(), values[order]
        return self.best < before - _SAME * max(abs(self.best), 1.0)


@dataclass(frozen=True)
class Effort:
    """How to spend a number of starts.

    Attributes
    ----------
    share : float
        Share of the runs of a good design that is drawn anew to start from it again.
    fresh : float
        Share of each round that starts from random designs.
    patience : int
        Rounds without a better design after which to stop.
    batch : int
        Designs searched together in a round, about.
    """

    share: float
    fresh: float
    patience: int
    batch: int


def iterate(
    stage: Stage,
    elite: Elite,
    rng: np.random.Generator,
    starts: int,
    effort: Effort,
    tell: Callable[[int, float], None],
) -> None:
    """Search in rounds, from the elite with some runs drawn anew and from fresh random designs.

    Parameters
    ----------
    stage : Stage
        The local search.
    elite : Elite
        Where to start and where the best designs go; empty: the first round is random.
    rng : Generator
        Source of chance.
    starts : int
        Most designs to search, in rounds of equal size.
    effort : Effort
        How to spend them.
    tell : callable
        Told the number of designs searched in each round and the best criterion.
    """
    if starts < 1:
        return
    rounds = -(-starts // effort.batch)
    batch = starts // rounds
    idle = 0
    for _ in range(rounds):
        trial = stage.improve(_restarts(stage, elite, rng, batch, effort))
        better = elite.offer(trial, stage.value(trial))
        tell(batch, elite.best)
        idle = 0 if better else idle + 1
        if idle >= effort.patience:
            break


def _restarts(
    stage: Stage, elite: Elite, rng: np.random.Generator, batch: int, effort: Effort
) -> IntArray:
    if elite.designs is None:
        return stage.draw(batch, rng)
    parents = elite.designs[rng.integers(0, len(elite.designs), size=batch)]
    trial = stage.perturb(parents, effort.share, rng)
    random = int(effort.fresh * batch)
    if random:
        trial[:random] = stage.draw(random, rng)
    return trial
