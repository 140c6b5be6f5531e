"""Compare nested models: what leaving terms out costs beside what scatter explains."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from kit.model.kenward_roger import f_test
from kit.model.least_squares import residual_ss
from kit.model.surface import Surface
from kit.terms import FloatArray, Term


@dataclass(frozen=True)
class Comparison:
    """An F test of the terms that one model has and a smaller one has not.

    Attributes
    ----------
    sum_of_squares : float
        What the terms explain beyond the smaller model, in the squared unit of the response.
    df : int
        Coefficients compared.
    F, residual_df, p : float
        Against the residual mean square of the surface as fitted.
    """

    sum_of_squares: float
    df: int
    F: float
    residual_df: float
    p: float


def compare_nested(
    surface: Surface, dropped: Collection[str], *, without: Collection[str] = ()
) -> Comparison:
    """Test some terms of a least-squares surface together.

    Parameters
    ----------
    surface : Surface
        Fitted by least squares.
    dropped : collection of str
        Names of the terms (or block columns) to test.
    without : collection of str, optional
        Names of terms that neither of the two compared models holds.

    Returns
    -------
    Comparison

    Raises
    ------
    KeyError
        If the surface has no term of that name.
    """
    for name in (*dropped, *without):
        if name not in surface.names:
            raise KeyError(name)
    wider = np.array([name not in without for name in surface.names])
    narrower = np.array(
        [keep and n not in dropped for keep, n in zip(wider, surface.names, strict=True)]
    )
    y = surface.observations["value"].to_numpy(dtype=float)
    centred = y - y.mean()
    wide_ss, wide_rank = residual_ss(surface.design[:, wider], centred)
    narrow_ss, narrow_rank = residual_ss(surface.design[:, narrower], centred)
    df = wide_rank - narrow_rank
    gained = max(0.0, narrow_ss - wide_ss)
    F = gained / df / surface.residual_variance if df and surface.residual_variance else np.nan
    return Comparison(
        sum_of_squares=gained,
        df=df,
        F=F,
        residual_df=surface.residual_df,
        p=float(stats.f.sf(F, df, surface.residual_df)) if np.isfinite(F) else np.nan,
    )


def anova_terms(surface: Surface) -> pd.DataFrame:
    """Test each term, all contrasts of a category together.

    Parameters
    ----------
    surface : Surface
        As fitted.

    Returns
    -------
    DataFrame
        One row a term: ``term``, ``df``, ``sum_of_squares``, ``F``, ``residual_df``, ``p``. For least squares each
        is tested beside all terms but the interactions that contain it; a square counts as a term of
        its own. For a mixed model each is tested beside all others by Kenward and Roger's F, the effect of a
        factor averaged over the levels of the categories it interacts with; there is no sum of squares. Where
        prints do not weigh alike, in the same way with the plain F of estimates and their covariance.
    """
    if surface.mixed is not None:
        return _mixed_terms(surface)
    if surface.weights is not None:
        return _weighted_terms(surface)
    groups: dict[str, list[Term]] = {}
    for term in surface.terms:
        if term.order:
            groups.setdefault(_without_levels(term), []).append(term)
    rows = []
    for name, members in groups.items():
        inner = set(_key(members[0]))
        containing = [t.name for t in surface.terms if inner < set(_key(t))]
        found = compare_nested(surface, [t.name for t in members], without=containing)
        rows.append((name, found.df, found.sum_of_squares, found.F, found.residual_df, found.p))
    return pd.DataFrame(rows, columns=["term", "df", "sum_of_squares", "F", "residual_df", "p"])


def _mixed_terms(surface: Surface) -> pd.DataFrame:
    assert surface.mixed is not None
    whole = dict.fromkeys(_without_levels(t) for t in surface.terms if t.order)
    rows = []
    for name in whole:
        L = _averaged_rows(surface, name)
        test = f_test(surface.mixed.small, L)
        rows.append((name, test.num_df, np.nan, test.F, test.den_df, test.p))
    return pd.DataFrame(rows, columns=["term", "df", "sum_of_squares", "F", "residual_df", "p"])


def _weighted_terms(surface: Surface) -> pd.DataFrame:
    whole = dict.fromkeys(_without_levels(t) for t in surface.terms if t.order)
    rows = []
    for name in whole:
        L = _averaged_rows(surface, name)
        estimate = L @ surface.coefficients
        F = float(estimate @ np.linalg.solve(L @ surface.covariance @ L.T, estimate)) / len(L)
        df = surface.residual_df
        rows.append((name, len(L), np.nan, F, df, float(stats.f.sf(F, len(L), df))))
    return pd.DataFrame(rows, columns=["term", "df", "sum_of_squares", "F", "residual_df", "p"])


def _averaged_rows(surface: Surface, name: str) -> FloatArray:
    # Give the combinations that say the term is absent, averaged over levels of other categories.
    #
    # A contrast to the first level counts an interaction with another category at that one's first level;
    # averaged over the q levels it takes 1/q of each contrast of the other.
    members = [t for t in surface.terms if t.order and _without_levels(t) == name]
    rows = np.zeros((len(members), len(surface.coefficients)))
    for row, member in zip(rows, members, strict=True):
        for place, term in enumerate(surface.terms):
            others = [n for n, level in term.levels if (n, level) not in member.levels]
            same = set(member.levels) <= set(term.levels) and term.powers == member.powers
            inside = {n for n, _ in member.levels}
            if same and not inside & set(others):
                row[place] = np.prod([1 / len(surface.coding[n].levels) for n in others])
    return rows


def _key(term: Term) -> list[tuple[str, int]]:
    # List the parts of a term, levels left aside: what an interaction must hold to contain it.
    return [*term.powers, *((name, 0) for name, _ in term.levels)]


def _without_levels(term: Term) -> str:
    parts = [name if power == 1 else f"{name}^{power}" for name, power in term.powers]
    return ":".join([*parts, *(name for name, _ in term.levels)])
