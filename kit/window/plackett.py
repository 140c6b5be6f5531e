"""Probability of a rectangle for a few responses, by integrating along the correlations."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, product

import numpy as np
import numpy.typing as npt

from kit.terms import FloatArray
from kit.window.margins import Margin

Limits = tuple[FloatArray, FloatArray]  # lower, upper
Spread = FloatArray | float

_BLOCK = 16_384  # array elements handled at a time: they stay in the processor's cache
_SMALLEST_GAP = 1e-30
_SMALLEST_VARIANCE = 1e-20


def path_probability(
    lower: FloatArray, upper: FloatArray, correlation: FloatArray, margin: Margin, nodes: int
) -> FloatArray:
    """Give the probability of each rectangle by Plackett's identity.

    All responses start as one and the same (every correlation 1), where the probability is that
    of one interval; the correlations then fall along a straight line to the wanted ones, and
    the change of probability is integrated.

    Parameters
    ----------
    lower, upper : array, shape (n, q)
        Standardised limits, lower < upper; each response needs at least one finite limit.
    correlation : array, shape (n, q, q) or (1, q, q)
        Correlation matrices; exact singularity is allowed.
    margin : Margin
        The normal or Student margin.
    nodes : int
        Quadrature points along the path, see `path_cost` for the price.

    Returns
    -------
    array, shape (n,)
        Probabilities, possibly outside 0 to 1 by the quadrature error.

    Notes
    -----
    On the way all gaps e_ij = 1 - r_ij grow in proportion: e_ij(u) = u e_ij, u = 0 to 1. With h the
    limits that responses i and j lie on and Q = h' R_ij(u)^-1 h, the probability changes by

        dP/du = - sum over i < j of e_ij / (2 pi sqrt(1 - r_ij(u)^2)) * sum over the corners of i, j of
                +- (1 + Q/df)^(-df/2) * P(the others in their limits | h),

    + where both limits are lower or both upper. Given h the others are again a t with the same df,
    their spread widened by sqrt(1 + Q/df), and the same function gives their probability. With
    u = w^2 the integrand in w is bounded; it turns fast only near w = 0, where the points crowd.

    References
    ----------
    Plackett, R. L. (1954). A reduction formula for normal multivariate integrals. Biometrika 41,
    351-360. Genz, A. (2004). Numerical computation of rectangular bivariate and trivariate normal
    and t probabilities. Statistics and Computing 14, 251-260 (the identity for the t).
    """
    lower, upper, correlation = _mirrored(lower, upper, correlation)
    common = margin.cdf(upper.min(axis=1)) - margin.cdf(lower.max(axis=1))
    probability = np.maximum(common, 0.0)
    gaps = np.maximum(1.0 - correlation, 0.0)
    path = _quadrature(nodes)
    for rows in _blocks(lower, upper, nodes):
        block_gaps = gaps if len(gaps) == 1 else gaps[rows]
        probability[rows] -= _fall(lower[rows], upper[rows], block_gaps, margin, path)
    return probability


def inner_nodes(nodes: int) -> int:
    """Give the points for the inner integral: the kernel outside needs less of it.

    Parameters
    ----------
    nodes : int
        Quadrature points of the outer integral.

    Returns
    -------
    int
        Quadrature points of the inner one, at least 8.
    """
    return max(8, 2 * nodes // 3)


def path_cost(sides: Sequence[int], nodes: int) -> int:
    """Count the kernel evaluations that `path_probability` spends on one setting.

    Parameters
    ----------
    sides : sequence of int
        How many finite limits each response has, 1 or 2.
    nodes : int
        Quadrature points of the outermost integral.

    Returns
    -------
    int
        Evaluations; some 25 ns each.
    """
    total = 0
    for i, j in combinations(range(len(sides)), 2):
        others = [side for k, side in enumerate(sides) if k not in (i, j)]
        inner = path_cost(others, inner_nodes(nodes)) if len(others) > 1 else 0
        total += sides[i] * sides[j] * nodes * (1 + inner)
    return total


@dataclass(frozen=True)
class _Quadrature:
    """Gauss-Legendre points over the path, crowded at its start where the kernel can turn fast."""

    position: FloatArray  # w, shape (nodes,)
    weight: FloatArray


@lru_cache(maxsize=16)
def _quadrature(nodes: int) -> _Quadrature:
    x, weight = np.polynomial.legendre.leggauss(nodes)
    v = (x + 1.0) / 2.0
    return _Quadrature(position=v**2, weight=weight * v)  # w = v^2, dw = 2 v dv, dv = dx / 2


def _mirrored(
    lower: FloatArray, upper: FloatArray, correlation: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Change signs of responses so that the correlations become as positive as they can."""
    q = lower.shape[1]
    choices = np.array([(1.0, *s) for s in product((1.0, -1.0), repeat=q - 1)])
    outer = choices[:, :, None] * choices[:, None, :]
    best = (correlation.reshape(-1, q * q) @ outer.reshape(-1, q * q).T).argmax(axis=1)
    kept = choices[best] > 0
    return (
        np.where(kept, lower, -upper),
        np.where(kept, upper, -lower),
        correlation * outer[best],
    )


def _blocks(
    lower: FloatArray, upper: FloatArray, nodes: int
) -> Iterator[slice | npt.NDArray[np.intp]]:
    """Yield row sets that share their pattern of finite limits, small enough for the cache."""
    size = max(1, _BLOCK // nodes)
    finite = np.isfinite(np.concatenate([lower, upper], axis=1))
    codes = finite @ (1 << np.arange(finite.shape[1]))
    patterns = np.unique(codes)
    if len(patterns) == 1:
        yield from (slice(start, start + size) for start in range(0, len(codes), size))
        return
    for pattern in patterns:
        rows = np.flatnonzero(codes == pattern)
        yield from (rows[start : start + size] for start in range(0, len(rows), size))


def _fall(
    lower: FloatArray, upper: FloatArray, gaps: FloatArray, margin: Margin, path: _Quadrature
) -> FloatArray:
    """Integrate the fall of the probability from all correlations 1 to the wanted ones."""
    n, q = lower.shape
    limits = (lower, upper)
    finite = [[side for side in (0, 1) if np.isfinite(limits[side][0, j])] for j in range(q)]
    fall = np.zeros(n)
    for i, j in combinations(range(q), 2):
        pair = _Pair(gaps, i, j, path)
        for a, b in product(finite[i], finite[j]):
            h, k = limits[a][:, i, None], limits[b][:, j, None]
            kernel, spread = margin.kernel(pair.quadratic_form(h, k))
            if q > 2:
                kernel = kernel * pair.others_inside(limits, h, k, spread, margin)
            change = np.einsum("nm,nm->n", kernel, np.broadcast_to(pair.weight, kernel.shape))
            fall += change if a == b else -change
    return fall


class _Pair:
    """Two responses lying on their limits, all along the path; arrays are (n or 1, nodes).

    All is written with the gaps e = 1 - r instead of r, so that nothing cancels for r near 1.
    """

    def __init__(self, gaps: FloatArray, i: int, j: int, path: _Quadrature) -> None:
        self._gaps, self._i, self._j, self._path = gaps, i, j, path
        self._u = path.position**2
        self._e = np.maximum(gaps[:, i, j, None], _SMALLEST_GAP)
        self._two = 2.0 - self._u * self._e  # 1 + r_ij(u)
        self._steep = 1.0 / (self._u * self._e * self._two)
        self._flat = 2.0 / self._two
        self.weight = path.weight * np.sqrt(self._e / self._two) / np.pi
        self._others = [k for k in range(gaps.shape[1]) if k not in (i, j)]
        self._slopes = [self._regression(k) for k in self._others]
        self._sigma = [
            np.sqrt(np.maximum(self._covariance(k, k), _SMALLEST_VARIANCE)) for k in self._others
        ]

    def quadratic_form(self, h: FloatArray, k: FloatArray) -> FloatArray:
        """Give h' R_ij(u)^-1 h for response i at ``h`` and j at ``k``."""
        return (h - k) ** 2 * self._steep + (h * k) * self._flat

    def others_inside(
        self, limits: Limits, h: FloatArray, k: FloatArray, spread: Spread, margin: Margin
    ) -> FloatArray:
        """Give P(others in their limits | response i at ``h``, j at ``k``), shape (n, nodes)."""
        means = [slope_i * h + slope_j * k for slope_i, slope_j in self._slopes]
        spreads = [sigma * spread for sigma in self._sigma]
        if len(self._others) == 1:
            low, high = (limit[:, self._others[0], None] for limit in limits)
            above = margin.cdf((high - means[0]) / spreads[0]) if np.isfinite(high[0, 0]) else 1.0
            below = margin.cdf((low - means[0]) / spreads[0]) if np.isfinite(low[0, 0]) else 0.0
            return np.asarray(above - below)
        lower, upper = (
            np.stack(
                [(limit[:, o, None] - means[m]) / spreads[m] for m, o in enumerate(self._others)],
                axis=-1,
            )
            for limit in limits
        )
        shape, size = lower.shape[:2], len(self._others)
        inside = path_probability(
            lower.reshape(-1, size),
            upper.reshape(-1, size),
            self._inner_correlation(shape),
            margin,
            inner_nodes(len(self._u)),
        )
        return inside.reshape(shape)

    def _regression(self, k: int) -> tuple[FloatArray, FloatArray]:
        """Give the coefficients of responses i and j in the mean of response k."""
        u, e = self._u, self._e
        f, g = self._gaps[:, self._i, k, None], self._gaps[:, self._j, k, None]
        denominator = e * self._two
        return (e + g - f - u * e * g) / denominator, (e + f - g - u * e * f) / denominator

    def _covariance(self, k: int, m: int) -> FloatArray:
        """Give the covariance of responses k and m, given i and j."""
        gap_i, gap_j = self._gaps[:, self._i, :, None], self._gaps[:, self._j, :, None]
        slope_i, slope_j = self._slopes[self._others.index(k)]
        rest = (gap_i[:, k] + gap_j[:, k] - self._e) / self._two
        own = slope_i * gap_i[:, m] + slope_j * gap_j[:, m] - self._gaps[:, k, m, None]
        return self._u * (rest + own)

    def _inner_correlation(self, shape: tuple[int, ...]) -> FloatArray:
        """Give the correlation matrices of the others, shape (n * nodes, q - 2, q - 2)."""
        size = len(self._others)
        result = np.empty((*shape, size, size))
        result[..., range(size), range(size)] = 1.0
        for a, b in combinations(range(size), 2):
            r = self._covariance(self._others[a], self._others[b]) / (
                self._sigma[a] * self._sigma[b]
            )
            result[..., a, b] = result[..., b, a] = np.clip(r, -1.0, 1.0)
        return result.reshape(-1, size, size)
