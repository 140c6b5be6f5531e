"""The chance on a printer that nobody has tried: all requirements together, and how well that chance itself is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr

from kit.model.pool import PooledFit
from kit.model.pool_draws import PoolDraws
from kit.terms import FloatArray
from kit.window.rectangle import normal_rectangle, student_copula_rectangle

Limits = tuple[float, float]


@dataclass(frozen=True)
class Foretold:
    """One response at many settings, for one new part on one new printer: a Student t each.

    Attributes
    ----------
    mean, scale, df : arrays, shape (m,)
    own : array, shape (m,)
        Share of the standard deviation that is the scatter of prints on one printer; only that goes together with the other
        responses.
    """

    mean: FloatArray
    scale: FloatArray
    df: FloatArray
    own: FloatArray

    def below(self, limit: float) -> FloatArray:
        """Give the chance to lie below a limit, shape (m,)."""
        return np.asarray(stdtr(self.df, (limit - self.mean) / self.scale))


def foretell(fit: PooledFit, rows: FloatArray, extra: tuple[float, float]) -> Foretold:
    """Foretell one response at rows of the model matrix, with a further variance of one part and its df."""
    mean, scale, df = fit.new_printer(rows, *extra)
    return Foretold(mean, scale, df, np.sqrt(fit.components[-1]) / scale)


def joint_chance(
    foretold: Mapping[str, Foretold], limits: Mapping[str, Limits], correlation: FloatArray
) -> FloatArray:
    """Give the chance that one new part on one new printer lies within all limits.

    Parameters
    ----------
    foretold : mapping of response name to Foretold
        At the same m settings.
    limits : mapping of response name to (low, high)
        Those that state a requirement; each keeps its own chance exactly.
    correlation : array, shape (q, q)
        Between prints of one printer, in the order of ``limits``. What differs from printer to printer is taken as independent from
        response to response: too few printers to tell.

    Returns
    -------
    array, shape (m,)
    """
    names = list(limits)
    low, high = (
        np.column_stack([foretold[n].below(limits[n][side]) for n in names]) for side in (0, 1)
    )
    if len(names) == 1:
        return np.asarray(high[:, 0] - low[:, 0])
    own = np.column_stack([foretold[n].own for n in names])
    return student_copula_rectangle(low, high, _mixed(own, correlation), np.inf)


def _mixed(own: FloatArray, correlation: FloatArray) -> FloatArray:
    """Give the correlation of whole deviations of which only a part is correlated, shape (m, q, q)."""
    whole = own[:, :, None] * correlation * own[:, None, :]
    at = np.arange(own.shape[1])
    whole[:, at, at] = 1.0
    return np.asarray(whole)


@dataclass(frozen=True)
class Possible:
    """What the prints leave open about the chance at some settings.

    Attributes
    ----------
    low, high : float
        95 % limits of the chance on a new printer.
    reaching : float
        Share of new printers on which the chance reaches the confidence.
    tenth : float
        One new printer in ten has a chance below this.
    between : mapping of response name to (low, high)
        95 % limits of the standard deviation between printers there.
    """

    low: float
    high: float
    reaching: float
    tenth: float
    between: Mapping[str, tuple[float, float]]


def possible_chances(
    row: FloatArray,
    draws: Mapping[str, PoolDraws],
    limits: Mapping[str, Limits],
    extra: Mapping[str, float],
    correlation: FloatArray,
    confidence: float,
    rng: np.random.Generator,
) -> Possible:
    """Ask every possible truth for the chance at one setting.

    Parameters
    ----------
    row : array, shape (p,)
        Row of the model matrix.
    draws : mapping of response name to PoolDraws
        Equally many draws each; those of different responses are drawn independently.
    limits : mapping of response name to (low, high)
        Those that state a requirement.
    extra : mapping of response name to float
        Further variance of one part (between specimens of a print).
    correlation : array, shape (q, q)
        As in `joint_chance`.
    confidence : float
        The chance that is asked for.
    rng : numpy Generator
        Draws new printers.

    Returns
    -------
    Possible
    """
    mean = {n: d.coefficients @ row for n, d in draws.items()}
    between = {n: d.components[:, :-1] @ row[list(d.random)] ** 2 for n, d in draws.items()}
    within = {n: d.components[:, -1] for n, d in draws.items()}
    names = list(limits)
    shift = {n: rng.standard_normal(len(mean[n])) * np.sqrt(between[n]) for n in draws}

    def chances(centre: Mapping[str, FloatArray], variance: Mapping[str, FloatArray]) -> FloatArray:
        sd = {n: np.sqrt(variance[n] + within[n] + extra[n]) for n in names}
        low, high = (
            np.column_stack([(limits[n][side] - centre[n]) / sd[n] for n in names])
            for side in (0, 1)
        )
        own = np.column_stack([np.sqrt(within[n]) / sd[n] for n in names])
        return normal_rectangle(low, high, _mixed(own, correlation))

    on_average = chances(mean, between)
    on_each = chances(
        {n: mean[n] + shift[n] for n in names}, {n: np.zeros_like(mean[n]) for n in names}
    )
    ends = np.quantile(on_average, [0.025, 0.975])
    return Possible(
        low=float(ends[0]),
        high=float(ends[1]),
        reaching=float((on_each >= confidence).mean()),
        tenth=float(np.quantile(on_each, 0.1)),
        between={
            n: (float(v[0]), float(v[1]))
            for n in draws
            for v in [np.sqrt(np.quantile(between[n], [0.025, 0.975]))]
        },
    )
