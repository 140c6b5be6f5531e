"""Probability of a rectangle for many responses, one response after the other on a lattice."""

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

from kit.terms import FloatArray

# Korobov lattices: number of points (prime) -> generator, the best of all generators in the P_2
# criterion for six dimensions with every weight 0.3 (Sloan & Joe 1994, Lattice Methods, chapter 4).
GENERATORS = {509: 66, 1021: 223, 2039: 864, 4093: 946, 8191: 2329}
_SHIFT = 0.25
_BLOCK = 65_536  # array elements handled at a time: they stay in the processor's cache
_SMALLEST_SPREAD = 1e-5  # stands in for the zero spread of a response that others determine
_TINY = 1e-300
_BELOW_ONE = 1.0 - 1e-16


def lattice_probability(
    lower: FloatArray, upper: FloatArray, correlation: FloatArray, df: float, points: int
) -> FloatArray:
    """Give the probability of each rectangle by sequential conditioning.

    Each response is drawn inside its limits given the earlier ones; the product of the conditional
    probabilities is averaged over a fixed lattice, so that equal input gives equal output.

    Parameters
    ----------
    lower, upper : array, shape (n, q)
        Standardised limits, lower < upper, possibly infinite; q from 2 to 6.
    correlation : array, shape (n, q, q) or (1, q, q)
        Correlation matrices; singular ones are eased by a spread of 1e-5.
    df : float
        Degrees of freedom, > 0; ``inf`` is the normal. The common divisor of the t is one more
        dimension of the lattice.
    points : int
        A key of ``GENERATORS``.

    Returns
    -------
    array, shape (n,)
        Probabilities in 0 to 1.

    References
    ----------
    Genz, A. (1992). Numerical computation of multivariate normal probabilities. Journal of
    Computational and Graphical Statistics 1, 141-149 (the transformation). Gibson, G. J., Glasbey,
    C. A. and Elston, D. A. (1994) in: Advances in Numerical Methods and Applications, 120-126 (the
    order of the responses). Genz, A. and Bretz, F. (2009). Computation of Multivariate Normal and t
    Probabilities. Springer, chapter 4.
    """
    n, q = lower.shape
    nodes = _lattice(points, q if np.isfinite(df) else q - 1)
    divisor: FloatArray | None = None
    if np.isfinite(df):
        divisor = np.sqrt(2.0 * special.gammaincinv(df / 2.0, nodes[-1]) / df)
    low, high, factor = _ordered_factor(lower, upper, correlation)
    probability = np.empty(n)
    size = max(1, _BLOCK // points)
    for start in range(0, n, size):
        rows = slice(start, start + size)
        probability[rows] = _average(low[rows], high[rows], factor[rows], nodes, divisor)
    return probability


@lru_cache(maxsize=16)
def _lattice(points: int, dimensions: int) -> FloatArray:
    """Give the shifted lattice folded to a period (the tent map), shape (dimensions, points)."""
    generator = np.array([pow(GENERATORS[points], d, points) for d in range(dimensions)])
    place = (np.outer(generator, np.arange(points)) % points / points + _SHIFT) % 1.0
    return np.asarray(1.0 - np.abs(2.0 * place - 1.0), dtype=np.float64)


def _average(
    lower: FloatArray,
    upper: FloatArray,
    factor: FloatArray,
    nodes: FloatArray,
    divisor: FloatArray | None,
) -> FloatArray:
    """Average the product of conditional probabilities over the lattice, shape (n,)."""
    q = lower.shape[1]
    drawn: list[FloatArray] = []
    product = np.ones((len(lower), nodes.shape[1]))
    for j in range(q):
        low, high = lower[:, j, None], upper[:, j, None]
        if divisor is not None:
            low, high = low * divisor, high * divisor
        if j:
            mean = sum(factor[:, j, k, None] * drawn[k] for k in range(j))
            low, high = low - mean, high - mean
        below = special.ndtr(low)
        inside = special.ndtr(high) - below
        product *= inside
        if j < q - 1:
            place = np.clip(below + nodes[j] * inside, _TINY, _BELOW_ONE)
            drawn.append(special.ndtri(place))
    return np.asarray(product.mean(axis=1))


def _ordered_factor(
    lower: FloatArray, upper: FloatArray, correlation: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Put the least probable response first, and so on; give limits and Cholesky factor, scaled."""
    n, q = lower.shape
    low, high = lower.copy(), upper.copy()
    R = np.broadcast_to(correlation, (n, q, q)).copy()
    L = np.zeros((n, q, q))
    centre = np.zeros((n, q))  # mean of each response inside its limits, given the earlier ones
    every = np.arange(n)
    for j in range(q):
        mean = np.einsum("nik,nk->ni", L[:, j:, :j], centre[:, :j])
        spread = np.sqrt(np.maximum(1.0 - np.sum(L[:, j:, :j] ** 2, axis=2), _SMALLEST_SPREAD**2))
        a, b = (low[:, j:] - mean) / spread, (high[:, j:] - mean) / spread
        inside = special.ndtr(b) - special.ndtr(a)
        first = inside.argmin(axis=1)
        for array in (low, high, R, L, R.transpose(0, 2, 1)):
            _swap(array, j, j + first)
        a, b, inside, diagonal = (x[every, first] for x in (a, b, inside, spread))
        centre[:, j] = _truncated_mean(a, b, inside)
        L[:, j, j] = diagonal
        explained = np.einsum("nik,nk->ni", L[:, j + 1 :, :j], L[:, j, :j])
        L[:, j + 1 :, j] = (R[:, j + 1 :, j] - explained) / diagonal[:, None]
    diagonal = np.einsum("nii->ni", L)  # each row is divided by it: given the others, spread 1
    return low / diagonal, high / diagonal, L / diagonal[:, :, None]


def _swap(array: FloatArray, j: int, others: npt.NDArray[np.intp]) -> None:
    """Exchange row j with row ``others[i]`` in each array[i], in place."""
    every = np.arange(len(array))
    kept = array[:, j].copy()
    array[:, j] = array[every, others]
    array[every, others] = kept


def _truncated_mean(a: FloatArray, b: FloatArray, inside: FloatArray) -> FloatArray:
    """Give the mean of a standard normal between a and b; far out, the limit nearer to 0."""
    density = (np.exp(-0.5 * a * a) - np.exp(-0.5 * b * b)) / np.sqrt(2.0 * np.pi)
    nearest = np.clip(0.0, np.maximum(a, -40.0), np.minimum(b, 40.0))
    return np.asarray(np.where(inside > 1e-12, density / np.maximum(inside, 1e-12), nearest))
