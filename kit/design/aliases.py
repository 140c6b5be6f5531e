"""What is mixed up with what: how much of an effect nobody asked for would show up in each one asked for.

If the truth holds terms X2 b2 beside the fitted X1 b1, least squares gives on average b1 + A b2 with
A = (X1'X1)^-1 X1'X2 (Box & Wilson 1951, J. Royal Statistical Society B 13, 1-45).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kit.terms import Coding, FloatArray, Term, expand_terms, model_matrix

SLIGHT = 0.01
"""Shares below this are not mentioned."""


@dataclass(frozen=True)
class Alias:
    """How an effect left out would disguise itself.

    Attributes
    ----------
    term : str
        The fitted term.
    other : str
        The one left out.
    share : float
        Of the other's coefficient that is added to the term's.
    """

    term: str
    other: str
    share: float


def aliases(
    coding: Coding,
    fitted: Sequence[Term],
    coded: FloatArray,
    nuisance: FloatArray | None = None,
    whitener: FloatArray | None = None,
) -> tuple[Alias, ...]:
    """Find what second-order effects outside a model would do to the fitted ones.

    Parameters
    ----------
    coding : Coding
        The factors.
    fitted : sequence of Term
        Terms that the runs can tell apart.
    coded : array, shape (n, n_factors)
        The runs.
    nuisance : array, shape (n, m), optional
        Block and other columns fitted beside them.
    whitener : array, shape (n, n), optional
        Turns correlated errors into independent ones.

    Returns
    -------
    tuple of Alias
        Intercept left out, largest shares first.
    """
    names = {t.name for t in fitted}
    others = [t for t in expand_terms(coding, "second_order") if t.name not in names]
    if not others:
        return ()
    X1, X2 = model_matrix(coding, fitted, coded), model_matrix(coding, others, coded)
    if nuisance is not None:
        X1 = np.column_stack([X1, nuisance])
    if whitener is not None:
        X1, X2 = whitener @ X1, whitener @ X2
    A = np.linalg.lstsq(X1, X2, rcond=None)[0]
    found = [
        Alias(term.name, other.name, float(A[i, j]))
        for i, term in enumerate(fitted)
        for j, other in enumerate(others)
        if abs(A[i, j]) > SLIGHT and term.order
    ]
    return tuple(sorted(found, key=lambda a: -abs(a.share)))


def mixed_groups(
    coding: Coding, terms: Sequence[Term], coded: FloatArray
) -> tuple[tuple[str, ...], ...]:
    """Group terms whose columns agree but for a sign and a constant: only their sum can be seen.

    Parameters
    ----------
    coding : Coding
        The factors.
    terms : sequence of Term
        The intercept is left out.
    coded : array, shape (n, n_factors)
        The runs.

    Returns
    -------
    tuple of tuple of str
        Groups of two terms or more; the lowest order first in each.
    """
    real = [t for t in terms if t.order]
    X = model_matrix(coding, real, coded)
    X = X - X.mean(axis=0)
    length = np.linalg.norm(X, axis=0)
    moving = np.flatnonzero(length > 1e-9)
    unit = X[:, moving] / length[moving]
    same = np.abs(unit.T @ unit) > 1 - 1e-9
    groups: dict[int, list[str]] = {}
    for place, i in enumerate(moving):
        groups.setdefault(int(np.flatnonzero(same[place])[0]), []).append(real[i].name)
    order = {t.name: t.order for t in real}
    found = [tuple(sorted(g, key=lambda n: order[n])) for g in groups.values() if len(g) > 1]
    return tuple(found)
