"""What an exact design must satisfy, checked once and put into arrays for the exchange stages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from kit.design.basis import Basis
from kit.design.information import criterion_value
from kit.design.moments import region_moments
from kit.design.region import BoolArray, IntArray, Region, Terms
from kit.errors import DesignError
from kit.terms import FloatArray, block_columns

_SEEN_RUNS = 4096


@dataclass(frozen=True)
class Held:
    """A group of runs that must share the level of one factor (a whole plot)."""

    factor: int
    runs: IntArray


class DesignProblem:
    """Everything about an exact design but its runs.

    Parameters
    ----------
    terms : sequence of tuple of int, shape (p, k)
        The model.
    region : Region
        Where runs may lie.
    n : int
        Runs in all, the fixed ones included.
    criterion : {"D", "I"}
        What to make best.
    fixed_runs : array, shape (f, k), optional
        Runs that come first and stay as they are, on the grid or not.
    fixed_may_break_limits : bool
        True for runs already printed.
    blocks : sequence, shape (n,), optional
        Block label of each run; enters as fixed sum-to-zero effects.
    covariance : array, shape (n, n), optional
        Covariance of the runs' errors, up to a factor.
    held : mapping of factor number to labels, shape (n,), optional
        Runs with the same label share the level of that factor.

    Raises
    ------
    DesignError
        If no such design can exist; the text says the way out.
    """

    def __init__(
        self,
        terms: Terms,
        region: Region,
        n: int,
        criterion: str,
        *,
        fixed_runs: FloatArray | None = None,
        fixed_may_break_limits: bool = False,
        blocks: Sequence[Any] | None = None,
        covariance: FloatArray | None = None,
        held: Mapping[int, Sequence[Any]] | None = None,
    ) -> None:
        if criterion not in ("D", "I"):
            raise DesignError(f"criterion {criterion!r} unknown; use D or I.")
        self.region, self.n, self.criterion = region, int(n), criterion
        self.fixed_runs = _fixed(fixed_runs, region, self.n, may_break=fixed_may_break_limits)
        self.basis = Basis(region, terms, self.fixed_runs)
        self.fixed = self.basis.number(self.fixed_runs)
        self.block_columns = _block_columns(blocks, self.n)
        ones = np.ones((self.n, self.basis.p))
        self.constant = np.hstack([ones, self.block_columns])
        self.precision = _precision(covariance, self.n)
        self.free = np.arange(len(self.fixed), self.n)
        self.held, self.easy = self._groups(held or {})
        self.moments = self._moments() if criterion == "I" else None
        self._check_size()
        self._check_motion()

    @property
    def p(self) -> int:
        """Number of columns of the model matrix, blocks included."""
        return self.basis.p + int(self.block_columns.shape[1])

    @property
    def is_plain(self) -> bool:
        """Whether the runs are exchangeable: no blocks, no covariance, nothing held."""
        return not self.block_columns.size and self.precision is None and not self.held

    def rows(self, index: IntArray) -> FloatArray:
        """Give model rows, shape (S, n, p), of designs given as level numbers, shape (S, n, k)."""
        return self.rows_of(index, self.block_columns)

    def rows_of(self, index: IntArray, blocks: FloatArray) -> FloatArray:
        """Give model rows of runs given as level numbers, with their block columns beside them."""
        rows = self.basis.rows(index)
        if not blocks.size:
            return rows
        beside = np.broadcast_to(blocks, (*index.shape[:-1], blocks.shape[-1]))
        return np.concatenate([rows, beside], axis=-1)

    def information(self, rows: FloatArray) -> FloatArray:
        """Give X' V^-1 X, shape (S, p, p), of model rows, shape (S, n, p)."""
        weighted = rows if self.precision is None else self.precision @ rows
        return rows.transpose(0, 2, 1) @ weighted

    def value(self, index: IntArray) -> FloatArray:
        """Give the criterion, small is good, of designs of shape (S, n, k)."""
        return criterion_value(self.information(self.rows(index)), self.moments)

    def permits(self, index: IntArray) -> BoolArray:
        """Say which runs, level numbers of shape (..., k), meet the limits."""
        if not self.region.is_cut:
            return np.ones(index.shape[:-1], dtype=bool)
        if self.region.table is not None and (index < self.region.counts).all():
            return self.region.permits_index(index)
        return self.region.permits(self.basis.values(index))

    def starts(self, S: int, rng: np.random.Generator) -> IntArray:
        """Draw S random designs that keep to every rule, shape (S, n, k)."""
        index = np.empty((S, self.n, self.region.k), dtype=np.intp)
        index[:, : len(self.fixed)] = self.fixed
        if not self.held:
            drawn = self.region.sample(S * len(self.free), rng)
            index[:, len(self.fixed) :] = drawn.reshape(S, -1, self.region.k)
            return index
        # One allowed run everywhere keeps every group together; then each part is moved at random.
        index[:, len(self.fixed) :] = self.region.sample(S, rng)[:, None, :]
        self._follow_fixed(index)
        for _ in range(3):
            self._stir(index, 1.0, rng)
        return index

    def perturb(self, index: IntArray, share: float, rng: np.random.Generator) -> IntArray:
        """Give copies with about that share of the free runs drawn anew."""
        index = index.copy()
        if self.held:
            self._stir(index, share, rng)
            return index
        anew = rng.random(index.shape[:2]) < share
        anew[:, : len(self.fixed)] = False
        index[anew] = self.region.sample(int(anew.sum()), rng)
        return index

    def _stir(self, index: IntArray, share: float, rng: np.random.Generator) -> None:
        """Move groups and single settings to random levels, where that is allowed."""
        designs = np.arange(len(index))
        counts = self.region.counts
        for group in self.held:
            chosen = designs[rng.random(len(designs)) < share]
            trial = index[np.ix_(chosen, group.runs)]
            trial[:, :, group.factor] = rng.integers(0, counts[group.factor], size=(len(chosen), 1))
            good = self.permits(trial).all(axis=1)
            index[np.ix_(chosen[good], group.runs)] = trial[good]
        for i in self.free:
            chosen = designs[rng.random(len(designs)) < share]
            for j in np.flatnonzero(self.easy[i]):
                trial = index[chosen, i]
                trial[:, j] = rng.integers(0, counts[j], size=len(chosen))
                good = self.permits(trial)
                index[chosen[good], i] = trial[good]

    def _follow_fixed(self, index: IntArray) -> None:
        """Start free runs that share a held level with a fixed run as copies of that run."""
        for j, labels in self._labels.items():
            for i in self.free:
                mates = np.flatnonzero(labels[: len(self.fixed)] == labels[i])
                if mates.size:
                    index[:, i] = self.fixed[mates[0]]
            together = all(np.ptp(index[0, labels == label, j]) == 0 for label in np.unique(labels))
            if not together or not self.permits(index[0, self.free]).all():
                raise DesignError(
                    f"new runs that share {self.region.names[j]} with fixed runs cannot be placed: "
                    "the fixed runs contradict each other or lie outside the limits. "
                    "Put the new runs into groups of their own."
                )

    def _groups(self, held: Mapping[int, Sequence[Any]]) -> tuple[list[Held], BoolArray]:
        """List the groups to move as one; single free runs stay with the easy moves."""
        easy = np.ones((self.n, self.region.k), dtype=bool)
        easy[: len(self.fixed)] = False
        groups = []
        self._labels: dict[int, IntArray] = {}
        for j, given in held.items():
            if len(given) != self.n:
                raise DesignError(f"{len(given)} labels for {self.n} runs; give one label a run.")
            labels = np.unique(np.asarray(given), return_inverse=True)[1].reshape(-1)
            self._labels[j] = labels
            for label in range(labels.max() + 1):
                runs = np.flatnonzero(labels == label)
                if len(runs) == 1:
                    continue
                easy[runs, j] = False
                if runs[0] >= len(self.fixed):
                    groups.append(Held(j, runs))
                elif np.ptp(self.fixed[runs[runs < len(self.fixed)], j]) != 0:
                    raise DesignError(
                        f"fixed runs contradict each other: runs {(runs + 1).tolist()} must share "
                        f"{self.region.names[j]}. Correct them or give them different groups."
                    )
        return groups, easy

    def _moments(self) -> FloatArray:
        W = np.zeros((self.p, self.p))
        p = self.basis.p
        W[:p, :p] = region_moments(self.region, self.basis.E)
        return W

    def _check_size(self) -> None:
        if self.n < self.p:
            blocks = self.p - self.basis.p
            what = f"{self.basis.p} terms" + (f" and {blocks + 1} blocks" if blocks else "")
            raise DesignError(
                f"{self.n} runs cannot estimate {what}. Add at least {self.p - self.n} "
                f"run{'s' if self.p - self.n > 1 else ''} or drop terms."
            )

    def _check_motion(self) -> None:
        """See that every factor can move and that the allowed points can tell the terms apart."""
        rng = np.random.default_rng(0)
        seen = self.region.sample(_SEEN_RUNS, rng)
        stuck = [
            name
            for name, column in zip(self.region.names, seen.T, strict=True)
            if np.ptp(column) == 0
        ]
        if stuck:
            raise DesignError(
                f"{', '.join(stuck)} cannot move within the limits: only one level is allowed. "
                "Loosen the limits, or hold it constant and take it out of the factors."
            )
        rows = np.vstack([self.basis.rows(seen), self.basis.rows(self.fixed)])
        rank = int(np.linalg.matrix_rank(rows))
        if rank < self.basis.p:
            names = [self.basis.term_name(t) for t in _dependent(rows)]
            raise DesignError(
                f"the allowed settings cannot tell {self.basis.p} terms apart (rank {rank}): "
                f"drop {', '.join(names)}, or give those factors more levels or looser limits."
            )


def _dependent(rows: FloatArray) -> list[int]:
    """Name columns that are combinations of those before them."""
    _, R = np.linalg.qr(rows)
    size = np.abs(np.diag(R))
    return np.flatnonzero(size <= 1e-9 * size.max()).tolist()


def _fixed(runs: FloatArray | None, region: Region, n: int, *, may_break: bool) -> FloatArray:
    if runs is None or not np.size(runs):
        return np.empty((0, region.k))
    fixed = np.array(runs, dtype=float)
    if fixed.ndim != 2 or fixed.shape[1] != region.k or not np.isfinite(fixed).all():
        raise DesignError(
            f"fixed runs have shape {fixed.shape}; give finite rows of {region.k} numbers."
        )
    if len(fixed) > n:
        raise DesignError(f"{len(fixed)} fixed runs do not fit into {n} runs; ask for more runs.")
    for j in np.flatnonzero(region.is_category).tolist():
        if not np.isin(fixed[:, j], region.levels[j]).all():
            raise DesignError(f"a fixed run has a level of {region.names[j]} that does not exist.")
    bad = np.flatnonzero(~region.permits(fixed))
    if bad.size and not may_break:
        raise DesignError(
            f"fixed run{'s' if bad.size > 1 else ''} {', '.join(str(i + 1) for i in bad)} "
            "contradict the limits. Change them or loosen the limits; runs already printed may stay."
        )
    return fixed


def _block_columns(blocks: Sequence[Any] | None, n: int) -> FloatArray:
    if blocks is None:
        return np.empty((n, 0))
    if len(blocks) != n:
        raise DesignError(f"{len(blocks)} block labels for {n} runs; give one a run.")
    return block_columns(blocks)[1]


def _precision(covariance: FloatArray | None, n: int) -> FloatArray | None:
    if covariance is None:
        return None
    V = np.asarray(covariance, dtype=float)
    if V.shape != (n, n) or not np.allclose(V, V.T):
        raise DesignError(f"covariance must be symmetric of shape ({n}, {n}); it is {V.shape}.")
    if np.linalg.eigvalsh(V).min() <= 0:
        raise DesignError("covariance must be positive definite.")
    if np.allclose(V, V[0, 0] * np.eye(n)):
        return None
    inverse: FloatArray = np.linalg.inv(V)
    return inverse
