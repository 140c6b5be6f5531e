"""Which coefficients of a success surface the prints leave possible: equally likely draws.

With few failures the log odds are far from normal: they trail off towards sure success. A normal curve around the
fit would then call a setting much worse than the prints do, so the posterior itself is drawn from, under Jeffreys' prior,
of which the penalised fit is the mode.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from kit.terms import FloatArray

PROPOSED, KEPT = 8192, 512
"""Places at which the posterior is looked at, and draws that are kept."""
TAILS = 4.0
"""Degrees of freedom of the proposals: wider tails than what is looked for."""
ROUNDS = 3
"""Times the proposals are fitted to what was found."""
ENOUGH = 1000
"""Proposals that count as much as so many draws are enough; with fewer, as when a setting parts failures from the rest
cleanly, the draws walk on."""
STEPS = 300
"""Steps of that walk, all draws at once."""


def possible_coefficients(
    X: FloatArray, y: FloatArray, mode: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Draw coefficients of the log odds from their posterior.

    Parameters
    ----------
    X : array, shape (n, p)
        Model matrix of the prints, columns independent.
    y : array, shape (n,)
        1 for success, 0 for failure, or a share.
    mode : array, shape (p,)
        The penalised fit.
    rng : Generator
        For the walk, where one is needed.

    Returns
    -------
    array, shape (KEPT, p)
        Equally likely.

    Notes
    -----
    Importance sampling from a multivariate t that is fitted to the posterior in a few rounds, on a fixed sequence of evenly
    filling points (multiples of powers of a root of x^(d+1) = x + 1, the golden ratio's kin; common practice, no source),
    then systematic resampling. Where too few proposals count, the draws walk on by steps along differences of two
    others (ter Braak, Stat. Comput. 16, 2006, 239-249, in the form of two halves that move in turn; from memory). Jeffreys' prior is proper here, so the mean chance exists also when no print failed (Ibrahim and
    Laud, J. Am. Stat. Assoc. 86, 1991, 981-986, from memory). For prints at one setting the chance is then Beta(k + 1/2, n - k + 1/2).
    """
    z, squash = _standard_proposals(len(mode))
    weight = special.expit(X @ mode)
    information = X.T @ (X * (weight * (1 - weight))[:, None])
    centre, spread = mode, np.linalg.inv(information)
    for _ in range(ROUNDS):
        drawn, share = _weighed(X, y, centre, spread, z, squash)
        centre = share @ drawn
        off = drawn - centre
        spread = (off * share[:, None]).T @ off + 1e-9 * np.eye(len(mode))
    drawn, share = _weighed(X, y, centre, spread, z, squash)
    order = np.argsort(drawn @ X.mean(axis=0), kind="stable")
    ends = np.cumsum(share[order])
    places = np.searchsorted(ends, (np.arange(KEPT) + 0.5) / KEPT * ends[-1])
    kept = drawn[order][np.minimum(places, len(drawn) - 1)]
    return kept if 1 / np.sum(share**2) >= ENOUGH else _walked(X, y, kept, rng)


def _walked(
    X: FloatArray, y: FloatArray, draws: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Let draws walk until they have forgotten where they came from."""
    draws = draws[rng.permutation(len(draws))]
    log = _log_posterior(X, y, draws)
    halves = np.arange(KEPT // 2), np.arange(KEPT // 2, KEPT)
    p = draws.shape[1]
    for step in range(2 * STEPS):
        mine, others = halves if step % 2 else halves[::-1]
        first, second = others[rng.integers(len(others), size=(2, len(mine)))]
        length = 1.0 if step % 10 < 2 else 2.38 / np.sqrt(2 * p) * np.exp(rng.normal(0, 0.5))
        there = draws[mine] + length * (draws[first] - draws[second])
        there = there + 1e-3 * rng.standard_normal(there.shape)
        reached = _log_posterior(X, y, there)
        moved = np.log(rng.uniform(size=len(mine))) < reached - log[mine]
        draws[mine[moved]], log[mine[moved]] = there[moved], reached[moved]
    return draws


def _standard_proposals(p: int) -> tuple[FloatArray, FloatArray]:
    """Give normal points, shape (PROPOSED, p), and the factors that make a t of them, shape (PROPOSED,)."""
    root = 2.0
    for _ in range(60):
        root = (1 + root) ** (1 / (p + 2))
    steps = root ** -np.arange(1.0, p + 2)
    points = (0.5 + np.outer(np.arange(1, PROPOSED + 1), steps)) % 1.0
    points = np.clip(points, 1e-12, 1 - 1e-12)
    chi = 2 * special.gammaincinv(TAILS / 2, points[:, p])
    return special.ndtri(points[:, :p]), np.sqrt(TAILS / chi)


def _weighed(
    X: FloatArray,
    y: FloatArray,
    centre: FloatArray,
    spread: FloatArray,
    z: FloatArray,
    squash: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Propose coefficients and weigh them by the posterior over the proposal; weights sum to 1."""
    p = len(centre)
    root = np.linalg.cholesky(spread)
    t = z * squash[:, None]
    drawn = centre + t @ root.T
    proposal = -(TAILS + p) / 2 * np.log1p(np.sum(t * t, axis=1) / TAILS)
    log = _log_posterior(X, y, drawn) - proposal
    share = np.exp(log - log.max())
    return drawn, share / share.sum()


def _log_posterior(X: FloatArray, y: FloatArray, b: FloatArray) -> FloatArray:
    """Give the penalised log-likelihood of many coefficient vectors, b of shape (m, p): shape (m,)."""
    eta = b @ X.T
    # In logs, since far out the information is too small for floating point.
    success = special.log_expit(eta)
    failure = success - eta
    log_weight = success + failure
    top = log_weight.max(axis=1)
    n, p = X.shape
    products = (X[:, :, None] * X[:, None, :]).reshape(n, p * p)
    information = (np.exp(log_weight - top[:, None]) @ products).reshape(-1, p, p)
    sign, log_det = np.linalg.slogdet(information)
    log_det = np.where(sign > 0, log_det, -np.inf) + p * top
    fit = success @ y + failure @ (1 - y)
    return np.asarray(fit + log_det / 2)
