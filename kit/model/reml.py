"""Estimate variance components by restricted maximum likelihood (REML).

The model is y = X b + sum_i Z_i u_i + e with u_i ~ N(0, s2_i I) and e ~ N(0, s2 I): plates,
days, spools or whole plots as random factors, nested or crossed, balanced or not.  Inference
on b for small samples is in :mod:`kit.model.kenward_roger`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, optimize

from kit.model.reduction import FloatArray, IntArray, Reduced, checked_data, reduce_data

BoolArray = NDArray[np.bool_]

# A step shorter than this many standard errors of the components ends the search.
_STEP_TOLERANCE = 1e-8
_SHORT_STEP = 1e-4
_ROUNDING = 1e-13
_MAX_ITERATIONS = 100
# Ratios to the residual variance where the search looks first, for 0, 1, 2, 3 or more factors.
_GRID = (
    (0.0,),
    (0.0, 0.01, 0.1, 1.0, 10.0, 100.0, 1e3, 1e4),
    (0.0, 0.1, 1.0, 10.0, 100.0, 1e3),
    (0.0, 0.3, 10.0, 300.0),
)


@dataclass(frozen=True)
class Reml:
    """Hold a mixed model fitted by REML.

    Attributes
    ----------
    components : array, shape (k + 1,)
        Variances in squared units of the response: the random factors as given, residual last.
    at_zero : bool array, shape (k + 1,)
        Which components are estimated as zero. They stay in the model.
    log_likelihood : float
        Maximised restricted log-likelihood, constants included; it depends on the coding of X.
    converged : bool
        Whether the search ended at a stationary point (of the region components >= 0).
    iterations : int
        Steps taken.
    coefficients : array, shape (p,)
        Generalised least squares estimate b.
    covariance : array, shape (p, p)
        (X' V^-1 X)^-1 at the estimated components, not adjusted for their uncertainty.
    V : array, shape (n, n)
        Estimated covariance of y.
    information, observed_information : arrays, shape (k + 1, k + 1)
        Expected and observed REML information of the components.
    y, X, groups : arrays, shapes (n,), (n, p), (k, n)
        The data fitted; groups renumbered from 0 within each factor.
    """

    components: FloatArray
    at_zero: BoolArray
    log_likelihood: float
    converged: bool
    iterations: int
    coefficients: FloatArray
    covariance: FloatArray
    V: FloatArray
    information: FloatArray
    observed_information: FloatArray
    y: FloatArray
    X: FloatArray
    groups: IntArray

    @property
    def criterion(self) -> float:
        """Minus twice the restricted log-likelihood."""
        return -2 * self.log_likelihood

    @property
    def component_covariance(self) -> FloatArray:
        """Large-sample covariance of the components: inverse of the expected information."""
        return inverse_information(self.information)


@dataclass(frozen=True)
class _Moments:
    """Deviance (without constants), score and information of the components at one point."""

    deviance: float
    score: FloatArray
    expected: FloatArray
    observed: FloatArray


def fit_reml(y: ArrayLike, X: ArrayLike, groups: Sequence[ArrayLike] = ()) -> Reml:
    """Estimate variance components by REML and the fixed part by generalised least squares.

    Use it when runs share something that differs from group to group: a plate, a day, a spool,
    one setting of a factor that is hard to change. Without random factors it is ordinary least
    squares.

    Parameters
    ----------
    y : array, shape (n,)
        Response.
    X : array, shape (n, p)
        Fixed part, columns linearly independent, p < n.
    groups : sequence of k integer arrays, shape (n,) each
        Group label of each observation, one array a random factor. A nested factor needs labels
        of its own (plate 1 of day 2 is not plate 1 of day 1).

    Returns
    -------
    Reml
        Components, fixed part, information and the data.

    Raises
    ------
    ValueError
        If data are missing, X is rank deficient (columns named by index), or a component cannot
        be told apart from X, from another component or from the residual.
    TypeError
        If group labels are not integers.

    Notes
    -----
    The restricted likelihood (Patterson and Thompson 1971; Harville 1977) is maximised over
    components >= 0. The best points of a coarse grid of variance ratios start the search, which
    guards against a second, lower maximum. Each step maximises the local quadratic approximation
    within the bounds exactly, with the observed information where it is positive definite and
    the expected one (Fisher scoring) elsewhere, and is halved until the likelihood does not
    fall. For balanced data one scoring step gives the analysis-of-variance estimates.

    References
    ----------
    Patterson, H. D. and Thompson, R. (1971), Biometrika 58, 545-554.
    Harville, D. A. (1977), Journal of the American Statistical Association 72, 320-338.

    Examples
    --------
    Three plates of four prints (invented readings in mm):

    >>> y = [20.1, 20.3, 20.2, 20.2, 20.6, 20.5, 20.7, 20.6, 20.3, 20.3, 20.4, 20.4]
    >>> plate = [0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2]
    >>> fit = fit_reml(y, np.ones((12, 1)), [plate])
    >>> fit.components.round(5)
    array([0.03944, 0.00556])
    """
    y_, X_, groups_ = checked_data(y, X, groups)
    reduced = reduce_data(y_, X_, groups_)
    # In units of the residual mean square the numbers of the search are near 1.
    scale = reduced.total_ss / reduced.total_df
    theta, converged, iterations = _maximise(_rescaled(reduced, scale))
    components = theta * scale
    final = _moments(reduced, components)
    V = covariance_of_y(components, groups_)
    coefficients, covariance = _generalised_least_squares(y_, X_, V)
    constant = reduced.total_df * np.log(2 * np.pi) + reduced.log_det_xx
    return Reml(
        components=components,
        at_zero=components == 0,
        log_likelihood=-0.5 * (final.deviance + constant),
        converged=converged,
        iterations=iterations,
        coefficients=coefficients,
        covariance=covariance,
        V=V,
        information=final.expected,
        observed_information=final.observed,
        y=y_,
        X=X_,
        groups=groups_,
    )


def covariance_of_y(components: FloatArray, groups: IntArray) -> FloatArray:
    """Give the covariance of the observations, sum_i s2_i Z_i Z_i' + s2 I.

    Parameters
    ----------
    components : array, shape (k + 1,)
        Variances, residual last.
    groups : integer array, shape (k, n)
        Group numbers of each factor.

    Returns
    -------
    array, shape (n, n)
        In squared units of the response.
    """
    V: FloatArray = components[-1] * np.eye(groups.shape[1])
    for component, group in zip(components[:-1], groups, strict=True):
        V += component * (group[:, None] == group)
    return V


def inverse_information(information: FloatArray) -> FloatArray:
    """Invert an information matrix whose parameters may differ by orders of magnitude.

    Parameters
    ----------
    information : array, shape (k, k)
        Positive definite.

    Returns
    -------
    array, shape (k, k)
        The inverse, symmetric.
    """
    scale = 1 / np.sqrt(np.diag(information))
    return np.asarray(np.linalg.inv(information * np.outer(scale, scale)) * np.outer(scale, scale))


def _generalised_least_squares(
    y: FloatArray, X: FloatArray, V: FloatArray
) -> tuple[FloatArray, FloatArray]:
    # Least squares on data whitened by the Cholesky factor, by QR: better conditioned than X'V^-1X.
    lower = linalg.cholesky(V, lower=True)
    white = linalg.solve_triangular(lower, np.column_stack([X, y]), lower=True)
    q, r = linalg.qr(white[:, :-1], mode="economic")
    r_inverse = linalg.solve_triangular(r, np.eye(len(r)))
    return np.asarray(r_inverse @ (q.T @ white[:, -1])), np.asarray(r_inverse @ r_inverse.T)


def _rescaled(reduced: Reduced, scale: float) -> Reduced:
    return Reduced(
        z=reduced.z / np.sqrt(scale),
        A=reduced.A,
        residual_ss=reduced.residual_ss / scale,
        residual_df=reduced.residual_df,
        log_det_xx=reduced.log_det_xx,
    )


def _maximise(reduced: Reduced) -> tuple[FloatArray, bool, int]:
    # Climb the restricted likelihood within the bounds from the best points of the grid.
    climbs = [_climb(reduced, start) for start in _starting_points(reduced)]
    here, theta, converged = min(climbs, key=lambda climb: climb[0].deviance)[:3]
    return _settled(theta, here), converged, sum(climb[3] for climb in climbs)


def _climb(reduced: Reduced, theta: FloatArray) -> tuple[_Moments, FloatArray, bool, int]:
    lower = np.zeros(len(theta))
    # The likelihood equations give s2 = (residual_ss + z'H^-1 z) / (n - p), H = Cov(z) / s2.
    lower[-1] = reduced.residual_ss / reduced.total_df
    here = _moments(reduced, theta)
    for iteration in range(1, _MAX_ITERATIONS + 1):
        step = _bounded_step(theta, here, lower)
        length = float(np.sqrt(step @ here.expected @ step))
        before = here.deviance
        theta, here = _line_search(reduced, theta, step, here)
        if length < _STEP_TOLERANCE:
            return here, theta, True, iteration
        if here.deviance >= before - _ROUNDING * abs(before):
            # Rounding hides what a short step gains; that a long one gains nothing is a failure.
            return here, theta, length < _SHORT_STEP, iteration
    return here, theta, False, _MAX_ITERATIONS


def _starting_points(reduced: Reduced) -> FloatArray:
    # Give the best points of a coarse grid of variance ratios: one for one factor, else two.
    k = len(reduced.A)
    grid = list(product(_GRID[min(k, len(_GRID) - 1)], repeat=k))
    ratios = np.array(grid).reshape(len(grid), k)
    H = np.eye(len(reduced.z)) + np.tensordot(ratios, reduced.A, axes=1)
    solved = np.linalg.solve(H, np.broadcast_to(reduced.z[:, None], (*H.shape[:2], 1)))
    variance = (solved[..., 0] @ reduced.z + reduced.residual_ss) / reduced.total_df
    profile = np.linalg.slogdet(H)[1] + reduced.total_df * np.log(variance)
    best = np.argsort(profile, kind="stable")[: 1 if k < 2 else 2]
    return np.asarray(np.column_stack([ratios, np.ones(len(ratios))])[best] * variance[best, None])


def _moments(reduced: Reduced, theta: FloatArray) -> _Moments:
    # Evaluate deviance, score and information of the components (Harville 1977, section 5).
    z, rest_ss, rest_df, s2 = reduced.z, reduced.residual_ss, reduced.residual_df, theta[-1]
    parts = np.concatenate([reduced.A, np.eye(len(z))[None]])
    H = np.tensordot(theta, parts, axes=1)
    H_inverse = np.linalg.inv(H)
    B = H_inverse @ parts
    Pz = H_inverse @ z
    AiPz = parts @ Pz
    score = 0.5 * (AiPz @ Pz - np.trace(B, axis1=1, axis2=2))
    expected = 0.5 * np.einsum("iab,jba->ij", B, B)
    score[-1] += 0.5 * (rest_ss / s2 - rest_df) / s2
    expected[-1, -1] += 0.5 * rest_df / s2**2
    observed = AiPz @ H_inverse @ AiPz.T - expected
    observed[-1, -1] += rest_ss / s2**3
    deviance = np.linalg.slogdet(H)[1] + z @ Pz + rest_df * np.log(s2) + rest_ss / s2
    return _Moments(float(deviance), score, expected, observed)


def _bounded_step(theta: FloatArray, here: _Moments, lower: FloatArray) -> FloatArray:
    # Maximise score'd - d'Md/2 over theta + d >= lower, as non-negative least squares.
    step = np.zeros(len(theta))
    # A component at its bound that the likelihood pushes outwards stays for this step.
    free = (theta > lower) | (here.score > 0)
    if not free.any():
        return step
    try:
        root = np.linalg.cholesky(here.observed[np.ix_(free, free)]).T
    except np.linalg.LinAlgError:
        root = np.linalg.cholesky(here.expected[np.ix_(free, free)]).T
    room = (theta - lower)[free]
    target = root @ room + np.linalg.solve(root.T, here.score[free])
    # Unit columns: the solver's own tolerances are absolute.
    length = np.sqrt((root**2).sum(axis=0))
    step[free] = optimize.nnls(root / length, target)[0] / length - room
    return step


def _line_search(
    reduced: Reduced, theta: FloatArray, step: FloatArray, here: _Moments
) -> tuple[FloatArray, _Moments]:
    # Halve the step until the likelihood does not fall; stay when no part of it climbs.
    for halvings in range(40):
        trial = theta + step * 0.5**halvings
        there = _moments(reduced, trial)
        if there.deviance <= here.deviance + _ROUNDING * abs(here.deviance):
            return trial, there
    return theta, here


def _settled(theta: FloatArray, here: _Moments) -> FloatArray:
    # Call a component zero that differs from it by less than the accuracy of the search.
    error = np.sqrt(np.diag(inverse_information(here.expected)))
    return np.where(theta < _STEP_TOLERANCE * error, 0.0, theta)
