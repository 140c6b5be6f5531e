"""Coordinate exchange, many designs at once (Meyer & Nachtsheim 1995).

One setting of one run after the other goes to its best level. Along one factor a model row is
f(t) = sum_b T_b(t) B_b with few functions T_b (1, t, t^2, or the indicators of a category), so that
f'A f = T(t)' (B'A B) T(t): a handful of products gives every level. While the settings of one run
change, A stays that of the design before; the run is then exchanged as a whole by one rank-two update.

With a covariance V of the runs, changing row i of X by d changes X'V^-1 X by r r' -> (r + s d)(r + s d)',
where s^2 = (V^-1)_ii and r = X'V^-1 e_i / s: the same exchange with r in the place of the row (Goos &
Jones 2011, chapter 10). A factor held constant over a group of runs moves for all of them at once
(Jones & Goos 2007), and its levels are compared by the new information matrices themselves.

Where limits cut the region, single settings get stuck at slanted edges: there each run is also offered
a few whole runs drawn from a list of promising points.
"""

from __future__ import annotations

import numpy as np

from kit.design.information import LATER_RIDGE, START_RIDGE, Information, dot, ridged_value, times
from kit.design.problem import DesignProblem, Held
from kit.design.region import BoolArray, IntArray
from kit.terms import FloatArray

_COARSE_LEVELS = 5
_OFFERED = 48


def exchange_coordinates(
    problem: DesignProblem,
    index: IntArray,
    *,
    tolerance: float = 1e-6,
    passes: int = 20,
    coarse: bool = False,
    offers: Offers | None = None,
) -> IntArray:
    """Improve designs until no single setting can be changed for the better.

    Parameters
    ----------
    problem : DesignProblem
        The rules.
    index : array of int, shape (S, n, k)
        Level numbers of S designs; changed in place.
    tolerance : float, default 1e-6
        Smallest relative gain worth a change.
    passes : int, default 20
        Most passes over all runs.
    coarse : bool, default False
        Try only a few spread levels where a factor moves for a whole group.
    offers : Offers, optional
        Whole runs to offer beside single settings.

    Returns
    -------
    array of int, shape (S, n, k)
        ``index``.
    """
    tables = [_Lookup(problem, j) for j in range(problem.region.k)]
    active = np.arange(len(index))
    for number in range(passes):
        ridge = START_RIDGE if number == 0 else LATER_RIDGE
        state = _Pass(problem, tables, index[active], tolerance, ridge, offers)
        changed = state.run(coarse=coarse)
        index[active] = state.index
        active = active[changed]
        if not active.size:
            break
    return index


class Offers:
    """Whole runs to offer, a few at a time.

    Parameters
    ----------
    pool : array of int, shape (C, k)
        Promising points of the region.
    rng : Generator
        Draws from them.
    """

    def __init__(self, pool: IntArray, rng: np.random.Generator) -> None:
        self.pool, self.rng = pool, rng

    def draw(self) -> IntArray:
        """Draw some points, shape (few, k)."""
        return self.pool[self.rng.integers(0, len(self.pool), size=_OFFERED)]


class _Lookup:
    """What is needed of one factor: its share in the terms, and which function of it a term holds."""

    def __init__(self, problem: DesignProblem, j: int) -> None:
        basis = problem.basis
        extra = problem.p - basis.p
        count = len(problem.region.levels[j])
        share = basis.factor(j)
        self.share = np.hstack([share, np.ones((len(share), extra))])
        T = basis.tables[j][:count]
        self.functions = T.shape[1]
        self.T = np.ascontiguousarray(T.T)
        self.TT = np.ascontiguousarray((T[:, :, None] * T[:, None, :]).reshape(count, -1).T)
        which = np.concatenate([basis.E[:, j], np.zeros(extra, dtype=np.intp)])
        self.pick = np.eye(self.functions)[which]

    def quadratic(self, A: FloatArray, g: FloatArray) -> FloatArray:
        """Give f'A f at every level, shape (S, levels), of f = g times the functions of the factor."""
        S, p = g.shape
        AB = ((A * g[:, None, :]).reshape(-1, p) @ self.pick).reshape(S, p, -1)
        AB *= g[:, :, None]
        BAB = AB.transpose(0, 2, 1).reshape(-1, p) @ self.pick
        result: FloatArray = BAB.reshape(S, -1) @ self.TT
        return result

    def linear(self, u: FloatArray, g: FloatArray) -> FloatArray:
        """Give u'f at every level, shape (S, levels)."""
        result: FloatArray = ((u * g) @ self.pick) @ self.T
        return result


class _Pass:
    """One pass over all groups and runs of S designs."""

    def __init__(
        self,
        problem: DesignProblem,
        tables: list[_Lookup],
        index: IntArray,
        tolerance: float,
        ridge: float,
        offers: Offers | None,
    ) -> None:
        self.problem, self.tables, self.tolerance, self.ridge = problem, tables, tolerance, ridge
        self.offers = offers
        self.index = index
        self.designs = np.arange(len(index))
        self.rows = problem.rows(index)
        self.renew()

    def renew(self) -> None:
        """Invert the information matrices afresh."""
        M = self.problem.information(self.rows)
        self.info = Information.of(M, self.problem.moments, self.ridge)

    def run(self, *, coarse: bool) -> BoolArray:
        """Go once through every group and run; say which designs changed."""
        changed = np.zeros(len(self.index), dtype=bool)
        for group in self.problem.held:
            changed |= self.move_group(group, coarse=coarse)
        if changed.any():
            self.renew()
        for i in self.problem.free:
            if self.problem.easy[i].any():
                changed |= self.move_run(int(i))
        return changed

    def move_run(self, i: int) -> BoolArray:
        """Bring each free setting of run i to its best level in turn."""
        problem = self.problem
        now = self.index[:, i].copy()
        row = _RowExchange(self.info, self.rows, i, problem.precision)
        shares = self._shares(now)
        if problem.block_columns.size:
            shares.append(np.broadcast_to(problem.constant[i], (len(now), problem.p)))
        best = np.zeros(len(now))
        if self.offers is not None:
            best = self._offer(i, now, row)
            shares[: len(self.tables)] = self._shares(now)
        for j in np.flatnonzero(problem.easy[i]):
            g = _product(shares, int(j))
            gain = row.gain(self.tables[j], g)
            if problem.region.is_cut:
                gain[~self._permitted(now, int(j))] = -np.inf
            level = gain.argmax(axis=1)
            top = gain[self.designs, level]
            better = np.flatnonzero(top > best + self.tolerance)
            if better.size:
                best[better] = top[better]
                now[better, j] = level[better]
                shares[j][better] = self.tables[j].share[level[better]]
        changed = best > 0.0
        which = np.flatnonzero(changed)
        if which.size:
            new = _product(shares, None)[which]
            self.info.exchange(which, row.old[which], row.new(which, new))
            self.rows[which, i] = new
            self.index[which, i] = now[which]
        return changed

    def _shares(self, now: IntArray) -> list[FloatArray]:
        return [t.share[now[:, j]] for j, t in enumerate(self.tables)]

    def _offer(self, i: int, now: IntArray, row: _RowExchange) -> FloatArray:
        """Take the best of some whole runs into ``now`` where it is a gain; give the gains."""
        problem = self.problem
        assert self.offers is not None
        trial = np.repeat(self.offers.draw()[None], len(now), axis=0)
        kept = np.flatnonzero(~problem.easy[i])
        trial[:, :, kept] = now[:, None, kept]
        gain = row.gain_of(problem.rows_of(trial, problem.block_columns[i]))
        if kept.size:
            gain[~problem.permits(trial)] = -np.inf
        pick = gain.argmax(axis=1)
        top = gain[self.designs, pick]
        better = top > self.tolerance
        now[better] = trial[better, pick[better]]
        return np.where(better, top, 0.0)

    def _permitted(self, now: IntArray, j: int) -> BoolArray:
        levels = self.problem.region.counts[j]
        trial = np.repeat(now[:, None, :], levels, axis=1)
        trial[:, :, j] = np.arange(levels)
        return self.problem.permits(trial)

    def move_group(self, group: Held, *, coarse: bool) -> BoolArray:
        """Bring a factor that a group of runs shares to its best level for all of them."""
        problem, j = self.problem, group.factor
        levels = self._group_levels(j, coarse=coarse)
        trial = np.repeat(self.index[:, None, group.runs], len(levels), axis=1)
        trial[..., j] = levels[:, None]
        good = problem.permits(trial).all(axis=2) if problem.region.is_cut else None
        new = problem.rows_of(trial, problem.block_columns[group.runs])
        M = problem.information(self.rows)
        change = new - self.rows[:, None, group.runs]
        P = np.eye(problem.n) if problem.precision is None else problem.precision
        cross = change.transpose(0, 1, 3, 2) @ (P[group.runs] @ self.rows)[:, None]
        inner = change.transpose(0, 1, 3, 2) @ (P[np.ix_(group.runs, group.runs)] @ change)
        trials = M[:, None] + cross + cross.transpose(0, 1, 3, 2) + inner
        trials = np.concatenate([M[:, None], trials], axis=1) + self.ridge * np.eye(problem.p)
        value = ridged_value(trials, problem.moments)
        before, value = value[:, 0], value[:, 1:]
        if good is not None:
            value[~good] = np.inf
        level = value.argmin(axis=1)
        least = value[self.designs, level]
        margin = self.tolerance * (1.0 if problem.moments is None else before)
        changed: BoolArray = least < before - margin
        which = np.flatnonzero(changed)
        self.rows[np.ix_(which, group.runs)] = new[which, level[which]]
        self.index[np.ix_(which, group.runs, np.array([j]))] = levels[level[which], None, None]
        return changed

    def _group_levels(self, j: int, *, coarse: bool) -> IntArray:
        region = self.problem.region
        count = int(region.counts[j])
        if not coarse or region.is_category[j] or count <= _COARSE_LEVELS:
            return np.arange(count, dtype=np.intp)
        return np.unique(np.round(np.linspace(0, count - 1, _COARSE_LEVELS)).astype(np.intp))


class _RowExchange:
    """Gain of any new settings of one run over the present ones, in S designs."""

    def __init__(
        self, info: Information, rows: FloatArray, i: int, precision: FloatArray | None
    ) -> None:
        self.info = info
        self.scale = 1.0
        self.offset: FloatArray | None = None
        self.old = rows[:, i]
        if precision is not None:
            self.scale = float(np.sqrt(precision[i, i]))
            self.old = (precision[i] @ rows) / self.scale
            self.offset = self.old - self.scale * rows[:, i]
        self.parts = [self._part(info.A)]
        if info.Q is not None:
            self.parts.append(self._part(info.Q))

    def _part(self, A: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray | None]:
        u = times(A, self.old)
        Ao = None if self.offset is None else times(A, self.offset)
        return A, u, dot(u, self.old), Ao

    def gain(self, table: _Lookup, g: FloatArray) -> FloatArray:
        """Give the gain of every level of one factor, shape (S, levels)."""
        found = [self._products(part, table, g) for part in self.parts]
        return self.info.gain(*found[0], found[1] if len(found) > 1 else None)

    def gain_of(self, rows: FloatArray) -> FloatArray:
        """Give the gain of any model rows, shape (S, C, p) -> (S, C)."""
        if self.offset is not None:
            rows = self.offset[:, None] + self.scale * rows
        found = []
        for A, u, ii, _ in self.parts:
            cc = np.einsum("scp,scp->sc", rows @ A, rows)
            found.append((cc, (rows @ u[:, :, None])[:, :, 0], ii))
        return self.info.gain(*found[0], found[1] if len(found) > 1 else None)

    def _products(
        self,
        part: tuple[FloatArray, FloatArray, FloatArray, FloatArray | None],
        table: _Lookup,
        g: FloatArray,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        A, u, ii, Ao = part
        cc, ic = table.quadratic(A, g), table.linear(u, g)
        if Ao is not None and self.offset is not None:
            s = self.scale
            cc = s * s * cc + 2.0 * s * table.linear(Ao, g) + dot(Ao, self.offset)[:, None]
            ic = s * ic + dot(u, self.offset)[:, None]
        return cc, ic, ii

    def new(self, which: IntArray, rows: FloatArray) -> FloatArray:
        """Give the vectors that enter the exchange for new model rows."""
        return rows if self.offset is None else self.offset[which] + self.scale * rows


def _product(shares: list[FloatArray], skip: int | None) -> FloatArray:
    """Multiply the shares of all factors but one, shape (S, p)."""
    product: FloatArray | None = None
    for j, share in enumerate(shares):
        if j != skip:
            product = share if product is None else product * share
    return np.ones_like(shares[0]) if product is None else product
