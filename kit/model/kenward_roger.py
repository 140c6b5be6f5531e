"""Kenward and Roger's small-sample inference for the fixed part of a mixed model.

Beside it, for comparison, Satterthwaite's.  Both give a :class:`SmallSample`, from which
:mod:`kit.model.small_sample` makes intervals and predictions, and :func:`f_test` tests.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from kit.model.reduction import FloatArray
from kit.model.reml import Reml, inverse_information
from kit.model.small_sample import SmallSample, checked_rows, contrast_df

# An F variate on 2 denominator df or fewer has no mean to match. This is the least 1 / mean used.
_NO_MEAN = 1e-4


@dataclass(frozen=True)
class FTest:
    """Hold an F test of several linear combinations at once.

    Attributes
    ----------
    F : float
        Statistic, already multiplied by ``scale``.
    num_df : int
        Linearly independent combinations tested.
    den_df : float
        Approximate denominator degrees of freedom.
    p : float
        P-value.
    scale : float
        Factor by which the Wald statistic per degree of freedom was multiplied.
    """

    F: float
    num_df: int
    den_df: float
    p: float
    scale: float


def kenward_roger(fit: Reml) -> SmallSample:
    """Adjust the covariance of the fixed part for estimating the variance components.

    The default for studies with plates, days or whole plots.

    Parameters
    ----------
    fit : Reml
        Mixed model.

    Returns
    -------
    SmallSample
        To be passed to :func:`f_test` and the functions of :mod:`kit.model.small_sample`.

    Notes
    -----
    V is linear in its components, so the second-derivative term of the paper vanishes and

        adjusted = Phi + 2 Phi {sum_ij W_ij (Q_ij - P_i Phi P_j)} Phi,

    with Phi = (X' V^-1 X)^-1, P_i = -X' V^-1 V_i V^-1 X, Q_ij = X' V^-1 V_i V^-1 V_j V^-1 X and
    W the inverse of the expected information. A component estimated as zero keeps its row and
    column: that it was estimated at all costs degrees of freedom.

    References
    ----------
    Kenward, M. G. and Roger, J. H. (1997), Biometrics 53, 983-997.
    Halekoh, U. and Hojsgaard, S. (2014), Journal of Statistical Software 59(9).

    Examples
    --------
    The mean over three plates of four prints rests on 2 degrees of freedom, not on 11:

    >>> from kit.model.reml import fit_reml
    >>> from kit.model.small_sample import contrasts
    >>> y = [20.1, 20.3, 20.2, 20.2, 20.6, 20.5, 20.7, 20.6, 20.3, 20.3, 20.4, 20.4]
    >>> fit = fit_reml(y, np.ones((12, 1)), [[0] * 4 + [1] * 4 + [2] * 4])
    >>> mean = contrasts(kenward_roger(fit), [[1.0]])
    >>> mean.df.round(6), mean.low.round(2), mean.high.round(2)
    (array([2.]), array([19.88]), array([20.89]))
    """
    phi = fit.covariance
    W = fit.component_covariance
    V_inverse = np.linalg.inv(fit.V)
    G = V_inverse @ fit.X
    T = np.array([(g[:, None] == g) @ G for g in fit.groups] + [G])  # T_i = V_i V^-1 X
    minus_P = G.T @ T
    Q = np.einsum("inp,nm,jmq,ij->pq", T, V_inverse, T, W, optimize=True)
    PphiP = np.einsum("ipa,ab,jbq,ij->pq", minus_P, phi, minus_P, W, optimize=True)
    adjusted = phi + 2 * phi @ (Q - PphiP) @ phi
    return SmallSample(
        method="kenward-roger",
        coefficients=fit.coefficients,
        covariance=phi,
        adjusted=(adjusted + adjusted.T) / 2,
        slopes=phi @ minus_P @ phi,
        components=fit.components,
        component_covariance=W,
    )


def satterthwaite(fit: Reml) -> SmallSample:
    """Give unadjusted standard errors with Satterthwaite's degrees of freedom.

    For comparison with :func:`kenward_roger`; the standard errors are too small when few
    groups are unequal in size.

    Parameters
    ----------
    fit : Reml
        Mixed model.

    Returns
    -------
    SmallSample
        As from :func:`kenward_roger`, with ``adjusted`` equal to ``covariance``.

    Notes
    -----
    The covariance of the components is the inverse of the *observed* information at an interior
    maximum (as Giesbrecht and Burns 1985 and Fai and Cornelius 1996 use it), and of the expected
    one when a component is zero: the curvature at a bound is no measure of uncertainty.
    With the expected information the df of a single combination are Kenward and Roger's.

    References
    ----------
    Satterthwaite, F. E. (1946), Biometrics Bulletin 2, 110-114.
    Giesbrecht, F. G. and Burns, J. C. (1985), Biometrics 41, 477-486.
    Fai, A. H.-T. and Cornelius, P. L. (1996), J. Statist. Comput. Simul. 54, 363-378.
    """
    base = kenward_roger(fit)
    W = base.component_covariance
    interior = not fit.at_zero.any()
    if interior and np.linalg.eigvalsh(fit.observed_information)[0] > 0:
        W = inverse_information(fit.observed_information)
    return replace(base, method="satterthwaite", adjusted=base.covariance, component_covariance=W)


def f_test(model: SmallSample, L: ArrayLike) -> FTest:
    """Test that several linear combinations of the fixed part are all zero.

    For a term with more than one coefficient, several terms at once, or lack of fit.

    Parameters
    ----------
    model : SmallSample
        From :func:`kenward_roger` (scaled F) or :func:`satterthwaite` (F of Fai and Cornelius).
    L : array, shape (m, p) or (p,)
        Combinations; rows that depend on the others add nothing and are not counted.

    Returns
    -------
    FTest
        Statistic, degrees of freedom and p-value.

    Raises
    ------
    ValueError
        If the shape of L does not fit, or a row is zero or not finite.

    Notes
    -----
    Kenward and Roger (1997) match the first two moments of the Wald statistic to those of a
    scaled F; the scale is 1 wherever the test is exact. An F on 2 denominator df or fewer has no
    mean to match: then the df are 2 l / A2 in the paper's notation and the scale is 1, which
    agrees with the paper's formulas in the exact cases and for a single combination.
    This test does not depend on how the rows are chosen among those with the same span. That of
    Fai and Cornelius does, slightly: for a category give the differences from the first level.
    """
    rows = _independent(checked_rows(model, L))
    q = len(rows)
    phi_L = rows @ model.covariance @ rows.T
    effect = rows @ model.coefficients
    if model.method == "satterthwaite":
        den_df, scale = _fai_cornelius_df(model, rows, phi_L), 1.0
    else:
        den_df, scale = _kenward_roger_df(model, rows, phi_L)
    wald = float(effect @ np.linalg.solve(rows @ model.adjusted @ rows.T, effect)) / q
    F = scale * wald
    return FTest(F, q, den_df, float(special.fdtrc(q, den_df, F)), scale)


def _independent(rows: FloatArray) -> FloatArray:
    # Replace linearly dependent rows by an orthonormal basis of what they span.
    _, s, v = np.linalg.svd(rows / np.linalg.norm(rows, axis=1, keepdims=True), full_matrices=False)
    rank = int((s > 1e-9 * s[0]).sum())
    return rows if rank == len(rows) else np.asarray(v[:rank])


def _kenward_roger_df(
    model: SmallSample, rows: FloatArray, phi_L: FloatArray
) -> tuple[float, float]:
    # Denominator df and scale, in the notation of Kenward and Roger (1997), section 3.2.
    q = len(rows)
    W = model.component_covariance
    # Theta Phi P_i Phi of the paper is, up to sign and similarity, (L Phi L')^-1 L slope_i L'.
    U = np.linalg.solve(phi_L, rows @ model.slopes @ rows.T)
    trace = np.trace(U, axis1=1, axis2=2)
    A1 = float(trace @ W @ trace)
    A2 = float(np.einsum("iab,jba,ij->", U, U, W))
    inverse_mean = 1 - A2 / q
    if q == 1 or inverse_mean < _NO_MEAN:
        return 2 * q / A2, 1.0
    B = (A1 + 6 * A2) / (2 * q)
    g = ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
    below = 3 * q + 2 * (1 - g)
    c1, c2, c3 = g / below, (q - g) / below, (q + 2 - g) / below
    V0, V1, V2 = 1 + c1 * B, 1 - c2 * B, 1 - c3 * B
    # The paper's 4 + (q + 2) / (q rho - 1), rho = (inverse_mean / V1)^2 V0 / (q V2), without
    # its 1/0 at 4 df.
    df = 4 + (q + 2) * V2 * V1**2 / (inverse_mean**2 * V0 - V2 * V1**2)
    scale = inverse_mean * df / (df - 2)
    return (df, scale) if df > 2 and scale > 0 else (2 * q / A2, 1.0)


def _fai_cornelius_df(model: SmallSample, rows: FloatArray, phi_L: FloatArray) -> float:
    # Denominator df of an F statistic as the mean of independent squared t (1996).
    q = len(rows)
    df = contrast_df(model, np.linalg.eigh(phi_L)[1].T @ rows)
    if np.ptp(df) < 1e-8 * df.mean():
        return float(df.mean())
    expected = float((df[df > 2] / (df[df > 2] - 2)).sum())
    return 2 * expected / (expected - q) if expected > q else float(df.min())
