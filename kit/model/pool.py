"""One response over several printers at once, from each study's cross-products alone.

The model is y = X b + Z u_j + e: one surface b for all, and on printer j an effect u_j of its own, an independent
normal draw for each random column of X (the intercept, and slopes where there are printers enough). All that the
restricted likelihood needs of a study is X'X, X'y, y'y and the number of prints, so that any number of studies costs
p^2 numbers each.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np
from scipy import optimize

from kit.errors import ModelError
from kit.saying import counted
from kit.terms import FloatArray

MIN_PRINTERS = 3
_STARTS = (0.3, 1.0, 3.0)
"""Printer SD over print SD where the search starts; no difference at all is looked at as well."""


@dataclass(frozen=True)
class CrossProducts:
    """All that a fit needs of some prints.

    Attributes
    ----------
    xx : array, shape (p, p)
        X'X.
    xy : array, shape (p,)
        X'y.
    yy : float
        y'y.
    n : float
        Prints, less what was taken out beforehand (blocks).
    """

    xx: FloatArray
    xy: FloatArray
    yy: float
    n: float

    def __add__(self, other: CrossProducts) -> CrossProducts:
        """Put two sets of prints together."""
        return CrossProducts(
            self.xx + other.xx, self.xy + other.xy, self.yy + other.yy, self.n + other.n
        )


def cross_products(X: FloatArray, y: FloatArray, blocks: FloatArray | None = None) -> CrossProducts:
    """Condense prints into their cross-products.

    Parameters
    ----------
    X : array, shape (n, p)
        Model matrix.
    y : array, shape (n,)
        Print means.
    blocks : array, shape (n, b), optional
        Columns of nuisance effects of these prints alone (sum-to-zero blocks); they are projected out, which is what
        fitting them would do to the restricted likelihood.

    Returns
    -------
    CrossProducts
    """
    X, y, n = without_blocks(X, y, blocks)
    return CrossProducts(X.T @ X, X.T @ y, float(y @ y), n)


def without_blocks(
    X: FloatArray, y: FloatArray, blocks: FloatArray | None
) -> tuple[FloatArray, FloatArray, float]:
    """Project blocks out of settings and values; give them and the prints that are left in number."""
    if blocks is None or not blocks.shape[1]:
        return X, y, float(len(y))
    q, r = np.linalg.qr(blocks)
    q = q[:, np.abs(np.diag(r)) > 1e-9 * np.abs(r).max()]
    return X - q @ (q.T @ X), y - q @ (q.T @ y), float(len(y) - q.shape[1])


@dataclass(frozen=True)
class PooledFit:
    """A surface over printers.

    Attributes
    ----------
    coefficients : array, shape (p,)
        The surface of the average printer, in the response's unit.
    covariance : array, shape (p, p)
        Its covariance, estimation of the components not counted.
    random : tuple of int
        Columns whose coefficient differs from printer to printer.
    components : array, shape (k + 1,)
        Variances of those coefficients between printers, then of prints on one printer.
    component_covariance : array, shape (k + 1, k + 1)
        Inverse of the expected restricted information; a component at zero keeps its place.
    slopes : array, shape (k + 1, p, p)
        Derivative of ``covariance`` in each component.
    effects : array, shape (printers, k)
        Predicted effects of the printers at hand (shrunk towards 0).
    criterion : float
        Minus twice the restricted log-likelihood, constants left out.
    """

    coefficients: FloatArray
    covariance: FloatArray
    random: tuple[int, ...]
    components: FloatArray
    component_covariance: FloatArray
    slopes: FloatArray
    effects: FloatArray
    criterion: float

    def new_printer(
        self, rows: FloatArray, extra: float = 0.0, extra_df: float = np.inf
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Foretell one new part on a printer that nobody has tried.

        Parameters
        ----------
        rows : array, shape (m, p)
            Rows of the model matrix.
        extra : float
            Further variance of one part (between specimens of a print), with its degrees of freedom.
        extra_df : float
            Degrees of freedom of ``extra``.

        Returns
        -------
        mean, scale, df : arrays, shape (m,)
            Of a Student t; degrees of freedom by Satterthwaite over all components.
        """
        z = rows[:, self.random] ** 2
        between = z @ self.components[:-1]
        doubt = np.einsum("mp,pq,mq->m", rows, self.covariance, rows)
        variance = between + self.components[-1] + doubt + extra
        slope = np.column_stack([z, np.ones(len(rows))])
        slope += np.einsum("mp,kpq,mq->mk", rows, self.slopes, rows)
        spread = np.einsum("mk,kl,ml->m", slope, self.component_covariance, slope)
        spread = spread + 2 * extra**2 / extra_df
        return rows @ self.coefficients, np.sqrt(variance), 2 * variance**2 / spread


def fit_pool(printers: Sequence[CrossProducts], random: Sequence[int]) -> PooledFit:
    """Fit one surface over printers by restricted maximum likelihood.

    Parameters
    ----------
    printers : sequence of CrossProducts
        One a printer, at least `MIN_PRINTERS`; studies on the same printer added up.
    random : sequence of int
        Columns whose coefficient differs between printers.

    Returns
    -------
    PooledFit

    Raises
    ------
    ModelError
        With too few printers, or if all of them together cannot tell the terms apart.

    Notes
    -----
    With V_j = s2 (I + Z_j D Z_j') every quantity of the restricted likelihood follows from the cross-products by
    (I + Z D Z')^-1 = I - Z (D^-1 + Z'Z)^-1 Z' and |I + Z D Z'| = |I + D Z'Z|; s2 is profiled out.

    References
    ----------
    Patterson, H. D. and Thompson, R. (1971), Biometrika 58, 545-554; Laird, N. M. and Ware, J. H. (1982),
    Biometrics 38, 963-974.
    """
    if len(printers) < MIN_PRINTERS:
        raise ModelError(
            f"{counted(len(printers), 'printer')} cannot say how printers differ; at least {MIN_PRINTERS} are needed, and with so "
            "few the answer is wide. Add studies of the same material made on other printers."
        )
    data = Stacked(printers, list(random))
    if np.linalg.matrix_rank(data.total.xx) < len(data.total.xx) or data.total.n <= len(
        data.total.xx
    ):
        raise ModelError("all studies together cannot tell the terms of the model apart.")
    k = len(random)

    def criterion(ratios: FloatArray) -> float:
        return Point(data, ratios**2).criterion

    options = {"ftol": 1e-15, "gtol": 1e-10, "maxiter": 1000}
    bounds = [(0.0, 1e4)] * k
    found = [
        optimize.minimize(
            criterion, np.full(k, start), method="L-BFGS-B", bounds=bounds, options=options
        ).x
        for start in _STARTS
    ]
    best = _polished(criterion, np.asarray(min([np.zeros(k), *found], key=criterion)))
    return Point(data, best**2).fit()


def _polished(criterion: Callable[[FloatArray], float], best: FloatArray) -> FloatArray:
    """Look along each ratio for a lower valley: in the root of a ratio the slope at 0 is 0, and a search may rest there.

    Returns
    -------
    array, shape (k,)
        Roots of the ratios, at least as good as ``best``.
    """
    grid = np.concatenate([[0.0], np.geomspace(0.01, 100.0, 33)])
    for _ in range(2):
        for i in range(len(best)):

            def along(root: float, i: int = i) -> float:
                trial = best.copy()
                trial[i] = root
                return criterion(trial)

            at = int(np.argmin([along(root) for root in grid]))
            ends = (grid[max(at - 1, 0)], grid[min(at + 1, len(grid) - 1)])
            found = optimize.minimize_scalar(
                along, bounds=ends, method="bounded", options={"xatol": 1e-9}
            )
            best[i] = min((float(best[i]), float(found.x), float(grid[at])), key=along)
    return best


class Stacked:
    """Cross-products of all printers, stacked: what is theirs together, and what concerns the random columns."""

    def __init__(self, printers: Sequence[CrossProducts], at: list[int]) -> None:
        self.at = at
        self.total = reduce(CrossProducts.__add__, printers)
        self.zz = np.array([c.xx[np.ix_(at, at)] for c in printers])
        self.zx = np.array([c.xx[at] for c in printers])
        self.zy = np.array([c.xy[at] for c in printers])


class Point:
    """Everything at one choice of the variance ratios d = variance between printers over that between prints."""

    def __init__(self, data: Stacked, ratios: FloatArray) -> None:
        self.data, self.ratios = data, ratios
        total, roots = data.total, np.sqrt(ratios)
        # (I + Z D Z')^-1 = I - Z R M^-1 R Z' with R = D^1/2, M = I + R Z'Z R: safe where a ratio is 0.
        m = np.eye(len(roots)) + roots[:, None] * data.zz * roots
        self.inner = roots[:, None] * np.linalg.inv(m) * roots
        xvx = total.xx - _summed(data.zx, self.inner @ data.zx)
        inner_zy = np.einsum("jab,jb->ja", self.inner, data.zy)
        xvy = total.xy - np.einsum("jap,ja->p", data.zx, inner_zy)
        yvy = total.yy - float(np.sum(data.zy * inner_zy))
        self.unscaled: FloatArray = np.asarray(np.linalg.inv(xvx), dtype=float)
        self.coefficients = self.unscaled @ xvy
        self.df = total.n - len(total.xy)
        self.variance = max(yvy - float(xvy @ self.coefficients), 0.0) / self.df
        log_det = float(np.linalg.slogdet(m)[1].sum() + np.linalg.slogdet(xvx)[1])
        self.criterion = self.df * float(np.log(max(self.variance, np.finfo(float).tiny))) + log_det

    def fit(self) -> PooledFit:
        """Gather everything that follows from this choice.

        Returns
        -------
        PooledFit
        """
        data = self.data
        miss = data.zy - data.zx @ self.coefficients
        # u_j = D Z' V^-1 (y - X b), with Z' V^-1 = (I - Z'Z inner) Z'
        seen = miss - np.einsum("jab,jbc,jc->ja", data.zz, self.inner, miss)
        information, slopes = self.information()
        return PooledFit(
            coefficients=self.coefficients,
            covariance=np.asarray(self.variance * self.unscaled, dtype=float),
            random=tuple(data.at),
            components=np.append(self.ratios * self.variance, self.variance),
            component_covariance=np.asarray(np.linalg.pinv(information), dtype=float),
            slopes=slopes,
            effects=self.ratios * seen,
            criterion=self.criterion,
        )

    def information(self) -> tuple[FloatArray, FloatArray]:
        """Give the expected restricted information of the components, and how each moves the covariance of b.

        With P = (W - W X C X' W) / s2 and V_a = Z_a Z_a' the information is tr(P V_a P V_b) / 2. Every trace is
        written with sums over printers, so that the work grows with their number and not with its square.

        Returns
        -------
        information : array, shape (k + 1, k + 1)
        slopes : array, shape (k + 1, p, p)
        """
        zz, zx, inner, C = self.data.zz, self.data.zx, self.inner, self.unscaled
        k = len(self.ratios)
        keep = np.eye(k) - zz @ inner  # Z'W = keep Z'
        zwz, h = keep @ zz, keep @ zx  # Z'WZ and Z'WX
        h2 = keep @ h  # Z'WWX
        ww = 2 * inner - inner @ zz @ inner  # WW = I - Z ww Z'
        www = inner + ww - inner @ zz @ ww
        G = np.einsum("jap,jaq->apq", h, h)
        B = self.data.total.xx - _summed(zx, ww @ zx)  # X'WWX
        T = self.data.total.xx - _summed(zx, www @ zx)  # X'WWWX
        result = np.zeros((k + 1, k + 1))
        result[:k, :k] = np.sum(zwz**2 - 2 * zwz * (h @ C @ h.transpose(0, 2, 1)), axis=0)
        result[:k, :k] += np.einsum("pq,bqr,rs,asp->ab", C, G, C, G)
        result[:k, k] = np.einsum("jab,jba->a", keep, zwz) - 2 * np.einsum(
            "jap,pq,jaq->a", h2, C, h
        )
        result[:k, k] += np.einsum("apq,qr,rs,sp->a", G, C, B, C)
        result[k, k] = self.data.total.n - np.einsum("jab,jba->", ww, zz)
        result[k, k] += np.trace(C @ B @ C @ B) - 2 * np.trace(C @ T)
        result[k, :k] = result[:k, k]
        return result / (2 * self.variance**2), np.array([C @ M @ C for M in (*G, B)])


def _summed(left: FloatArray, right: FloatArray) -> FloatArray:
    """Sum A_j' B_j over printers, each of shape (k, p)."""
    return np.asarray(np.tensordot(left, right, axes=([0, 1], [0, 1])), dtype=float)
