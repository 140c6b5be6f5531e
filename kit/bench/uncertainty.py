"""Uncertainty of a value computed from readings: first-order propagation and its degrees of freedom.

After JCGM 100:2008, Guide to the expression of uncertainty in measurement (GUM), 5.1.2 and G.4.1.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def propagated_variance(sensitivities: FloatArray, variances: FloatArray) -> FloatArray:
    """Combine the variances of independent inputs into that of the result.

    Parameters
    ----------
    sensitivities : array, shape (n, k)
        Partial derivatives of the result by each input, at each of n results.
    variances : array, shape (n, k) or (k,)
        Variances of the inputs, in their squared units.

    Returns
    -------
    array, shape (n,)
        Variances of the results (GUM 5.1.2, equation 10).

    Examples
    --------
    >>> propagated_variance(np.array([[2.0, 1.0]]), np.array([0.25, 1.0]))
    array([2.])
    """
    return np.asarray(np.sum(np.asarray(sensitivities) ** 2 * variances, axis=-1))


def satterthwaite_df(
    parts: Sequence[FloatArray | float], dfs: Sequence[FloatArray | float]
) -> FloatArray:
    """Give the effective degrees of freedom of a sum of independent variance estimates.

    Parameters
    ----------
    parts : sequence of k arrays, any common shape
        The parts of the variance (>= 0), each already multiplied by its factor.
    dfs : sequence of k floats
        Degrees of freedom of each part (> 0); ``inf`` for a part that is known.

    Returns
    -------
    array, the common shape
        (sum of parts)^2 / sum(part^2 / df), the Welch-Satterthwaite formula (GUM G.4.1); ``inf``
        where no part with finite degrees of freedom is above 0.

    Examples
    --------
    >>> satterthwaite_df([4.0, 0.0], [7, 3]).item()
    7.0
    """
    arrays = [np.asarray(p, dtype=float) for p in parts]
    total = np.asarray(sum(arrays))
    spread = np.asarray(sum(a**2 / df for a, df in zip(arrays, dfs, strict=True)))
    known = spread <= 0
    # Where one part alone counts, the ratio is its df exactly, without rounding.
    return np.where(known, np.inf, total**2 / np.where(known, 1.0, spread))
