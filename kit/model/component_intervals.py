"""Confidence intervals for variance components, unbalanced data and few groups included.

With six plates a variance is known to a factor of ten at best; saying so is the point here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from kit.model.reduction import FloatArray, Reduced, reduce_data
from kit.model.reml import Reml

# Equal-probability points of the residual's chi-square that integrals are taken over.
_NODES = 200
_RELATIVE_TINY = 1e-9


@dataclass(frozen=True)
class ComponentIntervals:
    """Hold two-sided limits of each variance component.

    Attributes
    ----------
    low, high : arrays, shape (k + 1,)
        Limits in squared units of the response, random factors as fitted, residual last;
        ``low`` is 0 where the groups may well not differ.
    df : array, shape (k + 1,)
        Degrees of freedom each interval rests on: between the groups, or of the residual.
    confidence : float
        Confidence of each interval, pointwise.
    """

    low: FloatArray
    high: FloatArray
    df: FloatArray
    confidence: float


@dataclass(frozen=True)
class _Pivot:
    """Coordinates t_j ~ N(0, noise + component * weight_j) and an independent view of the noise.

    ``noise_df * noise / (true noise)`` is taken as chi-square on ``noise_df``.
    """

    squares: FloatArray
    weights: FloatArray
    noise: float
    noise_df: float


def component_intervals(fit: Reml, *, confidence: float = 0.95) -> ComponentIntervals:
    """Give an interval for each variance component, right for few groups of unequal size.

    To say how well the spread between plates, days or spools is known.

    Parameters
    ----------
    fit : Reml
        Mixed model.
    confidence : float, default 0.95
        Strictly between 0 and 1; two-sided, each component by itself.

    Returns
    -------
    ComponentIntervals
        Limits and degrees of freedom.

    Raises
    ------
    ValueError
        If ``confidence`` is not strictly between 0 and 1.

    Notes
    -----
    *Residual*: exact chi-square interval from the sum of squares left by X and all groups.

    *Random factor*: generalised interval (Weerahandi 1993; Lidong, Hannig and Iyer 2008). With X
    and the other random factors taken out, t_j^2 are independent (s2 + s2_i w_j) chi-square(1)
    and the residual sum of squares SS is s2 chi-square(f). Put s2 = SS / C, C ~ chi-square(f),
    and solve sum_j t_j^2 / (SS / C + s2_i w_j) = D, D ~ chi-square(r), for s2_i; a negative
    solution counts as 0. The limits are the quantiles of that solution, found by integration
    over C and not by simulation. For the ratio s2_i / s2 the same pivot is exact (Wald 1947).

    A factor with another nested in it (days with plates) keeps no degrees of freedom once that
    is taken out. Then only X is, the variance of the nested factor and the residual together
    stand for the noise at their estimates, with Satterthwaite's degrees of freedom: the same
    interval where the data are balanced, an approximation elsewhere.

    References
    ----------
    Wald, A. (1947), Annals of Mathematical Statistics 18, 586-589.
    Weerahandi, S. (1993), Journal of the American Statistical Association 88, 899-905.
    Lidong, E., Hannig, J. and Iyer, H. (2008), J. Amer. Statist. Assoc. 103, 854-865.

    Examples
    --------
    Three plates of four prints (invented readings in mm); standard deviations:

    >>> from kit.model.reml import fit_reml
    >>> y = [20.1, 20.3, 20.2, 20.2, 20.6, 20.5, 20.7, 20.6, 20.3, 20.3, 20.4, 20.4]
    >>> fit = fit_reml(y, np.ones((12, 1)), [[0] * 4 + [1] * 4 + [2] * 4])
    >>> limits = component_intervals(fit)
    >>> np.sqrt(limits.low).round(2), np.sqrt(limits.high).round(2)
    (array([0.1 , 0.05]), array([1.27, 0.14]))
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie in 0 to 1, got {confidence!r}; write 95 % as 0.95.")
    tail = (1 - confidence) / 2
    reduced = reduce_data(fit.y, fit.X, fit.groups)
    rows = []
    for i in range(len(fit.groups)):
        pivot = _without_others(reduced, i) or _against_others(reduced, fit, i)
        low, high = (_quantile(pivot, p) for p in (tail, 1 - tail))
        rows.append((low, high, float(len(pivot.squares))))
    f = reduced.residual_df
    chi_square = 2 * special.gammaincinv(f / 2, np.array([1 - tail, tail]))
    rows.append((*(reduced.residual_ss / chi_square), float(f)))
    low, high, df = np.array(rows).T
    return ComponentIntervals(low, high, df, confidence)


def _without_others(reduced: Reduced, i: int) -> _Pivot | None:
    # Take the other random factors out as if fixed; None where nothing of factor i is left.
    others = np.delete(reduced.A, i, axis=0).sum(axis=0)
    values, vectors = np.linalg.eigh(others)
    free = vectors[:, values <= _RELATIVE_TINY * max(1.0, float(values.max(initial=0)))]
    weights, axes = np.linalg.eigh(free.T @ reduced.A[i] @ free)
    keep = weights > _RELATIVE_TINY * np.trace(reduced.A[i])
    if not keep.any():
        return None
    t = axes[:, keep].T @ free.T @ reduced.z
    return _Pivot(
        squares=t**2,
        weights=weights[keep],
        noise=reduced.residual_ss / reduced.residual_df,
        noise_df=reduced.residual_df,
    )


def _against_others(reduced: Reduced, fit: Reml, i: int) -> _Pivot:
    # Weigh factor i against the other components at their estimates, noise scaled to 1.
    parts = np.concatenate([reduced.A, np.eye(len(reduced.z))[None]])
    rest = np.delete(np.arange(len(parts)), i)
    H = np.tensordot(fit.components[rest], parts[rest], axes=1)
    whiten = np.linalg.inv(np.linalg.cholesky(H))
    weights, axes = np.linalg.eigh(whiten @ reduced.A[i] @ whiten.T)
    keep = weights > _RELATIVE_TINY * weights[-1]
    directions = axes[:, keep].T @ whiten
    # Mean variance of the directions is 1; its gradient in the other components gives its df.
    gradient = np.einsum("ra,iab,rb->i", directions, parts[rest], directions) / keep.sum()
    W = fit.component_covariance[np.ix_(rest, rest)]
    return _Pivot(
        squares=(directions @ reduced.z) ** 2,
        weights=weights[keep],
        noise=1.0,
        noise_df=float(2 / (gradient @ W @ gradient)),
    )


def _quantile(pivot: _Pivot, probability: float) -> float:
    # Solve P(generalised component <= value) = probability for value >= 0.
    levels = (np.arange(_NODES) + 0.5) / _NODES
    chi_square = 2 * special.gammaincinv(pivot.noise_df / 2, levels)
    noise = pivot.noise_df * pivot.noise / chi_square
    r = len(pivot.squares)

    def below(value: float) -> float:
        spread = noise[:, None] + value * pivot.weights
        D = (pivot.squares / spread).sum(axis=1)
        return float(special.gammaincc(r / 2, D / 2).mean()) - probability

    if below(0.0) >= 0:
        return 0.0
    # Without noise the solution is at most the sum below over the lower quantile of D.
    upper = (pivot.squares / pivot.weights).sum() / (
        2 * special.gammaincinv(r / 2, 1 - probability)
    )
    return float(optimize.brentq(below, 0.0, 1.001 * float(upper), xtol=1e-12 * upper, rtol=1e-10))
