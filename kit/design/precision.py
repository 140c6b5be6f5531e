"""What a plan will be able to tell, before anything is printed: half-widths, power, blindness, balance.

Everything is in units of the scatter between prints made alike (SD = 1); times the SD of a response it is
in that response's unit. A plan is judged with the model that its runs can support, least squares with
fixed blocks or, where blocks are random, generalised least squares with a stated ratio of variances.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.stats import qmc
from scipy.stats import t as student

from kit.design.aliases import Alias, aliases, mixed_groups
from kit.design.height_stacked import counts_height, heights
from kit.design.power import CONFIDENCE, power_t, smallest_shift
from kit.design.split_plot_exchange import plot_covariance
from kit.study.description import Study
from kit.study.limits import parse_limits
from kit.terms import FloatArray, Term, block_columns, expand_terms, model_matrix

RATIO = 1.0
"""Variance between blocks over variance within, where blocks are random and nothing is known."""
SAMPLE = 4096
"""Points at which the region is looked at."""
_TOLERANCE = 1e-8


@dataclass(frozen=True)
class EffectPrecision:
    """How well one effect will be known; effects as makers say them.

    Attributes
    ----------
    term : Term
    kind : str
        ``effect`` (high against low, or a level against the first), ``together`` (how much the effect of one factor
        changes from low to high of the other) or ``bend`` (the middle against the line between the ends).
    scale : float
        The effect is so many times the coefficient.
    sd : float
        Standard error of the effect, for a scatter of 1.
    df : float
        Degrees of freedom.
    inflation : float
        Variance over that of a column by itself (1 = not disturbed by others).
    """

    term: Term
    kind: str
    scale: float
    sd: float
    df: float
    inflation: float

    @property
    def half_width(self) -> float:
        """Half-width of its 95 % interval, for a scatter of 1."""
        return (
            float(student.ppf(0.5 + CONFIDENCE / 2, self.df)) * self.sd if self.df > 0 else np.inf
        )

    @property
    def smallest(self) -> float:
        """Smallest effect seen with a chance of 80 %, for a scatter of 1."""
        return smallest_shift(self.df) * self.sd

    def power(self, difference: float, sd: float) -> float:
        """Give the chance to find an effect of that size when prints scatter by ``sd``."""
        return power_t(difference / (sd * self.sd), self.df)


@dataclass(frozen=True, eq=False)
class Precision:
    """A plan's view of a model.

    Attributes
    ----------
    study : Study
    terms : tuple of Term
        Those that the runs can tell apart.
    lost : tuple of str
        Those that they cannot.
    coded : array, shape (n, n_factors)
        The runs.
    X : array, shape (n, p + m)
        Their model matrix, nuisance columns (blocks, height) at the end.
    covariance : array, shape (n, n)
        Of the prints, in units of the scatter within blocks.
    df : float
        Residual degrees of freedom inside blocks.
    plot_df : float
        Those between random blocks; equal to ``df`` where there are none.
    between : tuple of bool
        For each term, whether it varies only between random blocks.
    """

    study: Study
    terms: tuple[Term, ...]
    lost: tuple[str, ...]
    coded: FloatArray
    X: FloatArray
    covariance: FloatArray
    df: float
    plot_df: float
    between: tuple[bool, ...]

    @cached_property
    def whitener(self) -> FloatArray:
        """L^-1 with covariance = L L'."""
        return np.asarray(np.linalg.inv(np.linalg.cholesky(self.covariance)))

    @cached_property
    def inverse(self) -> FloatArray:
        """Covariance of the terms' coefficients for a scatter of 1, shape (p, p)."""
        W = self.whitener @ self.X
        p = len(self.terms)
        return np.asarray(np.linalg.inv(W.T @ W)[:p, :p])

    @cached_property
    def effects(self) -> tuple[EffectPrecision, ...]:
        """One for each term but the intercept."""
        found = []
        for i, term in enumerate(self.terms):
            if not term.order:
                continue
            kind, scale = _effect_of(term)
            df = self.plot_df if self.between[i] else self.df
            sd = scale * float(np.sqrt(self.inverse[i, i]))
            found.append(EffectPrecision(term, kind, scale, sd, df, self._inflation(i)))
        return tuple(found)

    def _inflation(self, i: int) -> float:
        column = self.X[:, i] - self.X[:, i].mean()
        return float(self.inverse[i, i] * (column @ column)) if self.is_plain else float("nan")

    @property
    def is_plain(self) -> bool:
        """Whether prints are independent: no random blocks."""
        return bool(np.allclose(self.covariance, np.eye(len(self.X))))

    @property
    def leverage(self) -> FloatArray:
        """Leverage of each run, shape (n,): 1 = its result is taken as it is, right or wrong."""
        W = self.whitener @ self.X
        return np.asarray(np.einsum("ij,ji->i", W @ np.linalg.pinv(W.T @ W), W.T))

    def variance(self, coded: FloatArray) -> FloatArray:
        """Give the variance of the foretold mean at coded settings, shape (m,), for a scatter of 1."""
        rows = model_matrix(self.study.coding, self.terms, coded)
        return np.asarray(np.einsum("ij,jk,ik->i", rows, self.inverse, rows))

    def half_width(self, coded: FloatArray, *, new_print: bool = False) -> FloatArray:
        """Give half-widths of 95 % intervals of the foretold mean, or of one new print, for a scatter of 1."""
        df = self.df if self.df > 0 else np.nan
        return np.asarray(
            student.ppf(0.5 + CONFIDENCE / 2, df) * np.sqrt(self.variance(coded) + new_print)
        )

    @cached_property
    def region(self) -> FloatArray:
        """Coded settings spread evenly over what the study allows, shape (m, n_factors)."""
        return region_points(self.study)

    @cached_property
    def shares(self) -> FloatArray:
        """Half-widths of the foretold mean over the region, from smallest to largest."""
        return np.sort(self.half_width(self.region))

    @cached_property
    def aliases(self) -> tuple[Alias, ...]:
        """What second-order effects outside the model would do to the fitted ones."""
        nuisance = self.X[:, len(self.terms) :]
        return aliases(self.study.coding, self.terms, self.coded, nuisance, self.whitener)

    @cached_property
    def groups(self) -> tuple[tuple[str, ...], ...]:
        """Second-order effects of which only sums can be seen."""
        coding = self.study.coding
        return mixed_groups(coding, expand_terms(coding, "second_order"), self.coded)


def assess_plan(study: Study, runs: pd.DataFrame, *, ratio: float = RATIO) -> Precision:
    """Judge what a plan can tell.

    Parameters
    ----------
    study : Study
        Model and blocks.
    runs : DataFrame
        The runs table; failed runs are left out.
    ratio : float, default 1
        Variance between random blocks over that within.

    Returns
    -------
    Precision
    """
    if "status" in runs:
        runs = runs[runs["status"] != "failed"]
    coding = study.coding
    coded = coding.code({name: runs[name].to_numpy() for name in coding.names})
    labels = runs["block"].to_numpy()
    random = study.random_blocks and len(set(labels.tolist())) > 1
    fixed = study.model.blocks != "none" and not study.random_blocks
    nuisance = block_columns(labels.tolist())[1] if fixed else np.empty((len(runs), 0))
    if counts_height(study):
        nuisance = np.column_stack([nuisance, heights(runs)])
    terms, lost = _estimable(study, coded, nuisance)
    X = np.column_stack([model_matrix(coding, terms, coded), nuisance])
    covariance = plot_covariance(labels, ratio) if random else np.eye(len(runs))
    between = _between(X[:, : len(terms)], labels) if random else (False,) * len(terms)
    df, plot_df = _degrees(X, labels, between, random)
    return Precision(study, terms, lost, coded, X, covariance, df, plot_df, between)


def _estimable(
    study: Study, coded: FloatArray, nuisance: FloatArray
) -> tuple[tuple[Term, ...], tuple[str, ...]]:
    """Keep terms that are not combinations of those before them, lower orders first, as the fit does."""
    terms = expand_terms(study.coding, study.planned_terms)
    basis = np.linalg.qr(nuisance)[0] if nuisance.size else np.empty((len(coded), 0))
    kept = []
    for term in sorted(terms, key=lambda t: t.order):
        column = term.column(study.coding, coded)
        rest = column - basis @ (basis.T @ column)
        rest -= basis @ (basis.T @ rest)
        length = float(np.linalg.norm(rest))
        if length > _TOLERANCE * max(float(np.linalg.norm(column)), 1.0):
            kept.append(term)
            basis = np.column_stack([basis, rest / length])
    return tuple(t for t in terms if t in kept), tuple(t.name for t in terms if t not in kept)


def _between(X: FloatArray, labels: FloatArray) -> tuple[bool, ...]:
    """Tell which columns are constant in every block."""
    same = [np.ptp(X[labels == b], axis=0) < 1e-9 for b in np.unique(labels)]
    return tuple(bool(v) for v in np.all(same, axis=0))


def _degrees(
    X: FloatArray, labels: FloatArray, between: Sequence[bool], random: bool
) -> tuple[float, float]:
    """Give residual degrees of freedom within and between blocks, by rank."""
    n = len(X)
    if not random:
        df = float(n - np.linalg.matrix_rank(X))
        return df, df
    Z = (labels[:, None] == np.unique(labels)).astype(float)
    within = n - np.linalg.matrix_rank(np.column_stack([X, Z]))
    plots = Z.shape[1] - sum(between)
    return float(within), float(max(plots, 0))


def _effect_of(term: Term) -> tuple[str, float]:
    """Say what a coefficient means to a maker, and how many times it that is."""
    powers = sum(p for _, p in term.powers)
    if term.order == 1:
        return "effect", 2.0 if powers else 1.0
    if term.order == 2 and len(term.factors) == 1:
        return "bend", 1.0
    return "together", 2.0 if powers else 1.0


def region_points(study: Study, count: int = SAMPLE) -> FloatArray:
    """Spread points evenly over low to high and all levels, inside the study's limits.

    Parameters
    ----------
    study : Study
        Factors and limits.
    count : int
        Before limits.

    Returns
    -------
    array, shape (m, n_factors)
        The same points for the same study.
    """
    coding = study.coding
    unit = qmc.Sobol(len(coding.factors), scramble=True, rng=np.random.default_rng(0)).random(count)
    columns = [
        np.floor(u * len(f.levels)).clip(0, len(f.levels) - 1) if f.is_category else 2 * u - 1
        for u, f in zip(unit.T, coding.factors, strict=True)
    ]
    points = np.column_stack(columns)
    inside = np.ones(len(points), dtype=bool)
    for limit in parse_limits(study.design.limits, coding):
        row, edge = limit.coded(coding)
        inside &= points @ row <= edge + 1e-9
    return points[inside] if inside.any() else points
