"""Can these runs support that model? Said before a gram is printed, with the way out.

A coefficient is estimable when no combination of coefficients that leaves every run unchanged touches
it: its place in the null space of the model matrix (blocks included) is zero. Of terms that are mixed
up the higher ones are given up first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from kit.terms import Coding, FloatArray, Term, block_columns, model_matrix

TOLERANCE = 1e-8
"""Relative size of a singular value, and of a share in a null vector, that still counts as zero."""
FEW_SPARE = 3
"""Fewer spare runs than this are pointed out; common practice, no source."""

MOST_SENTENCES = 4
"""More mixed-up terms are counted, with one as an example."""


@dataclass(frozen=True)
class Support:
    """What a set of runs can say about a model.

    Attributes
    ----------
    estimable, not_estimable : tuple of str
        Names of terms, in the model's order.
    residual_df : int
        Spare runs: runs less independent columns of terms and blocks.
    sentences : tuple of str
        One remedy each, empty when all is well.
    """

    estimable: tuple[str, ...]
    not_estimable: tuple[str, ...]
    residual_df: int
    sentences: tuple[str, ...] = ()

    @property
    def complete(self) -> bool:
        """Whether every term can be estimated and there is a run to spare."""
        return not self.not_estimable and self.residual_df > 0


def support(
    coding: Coding,
    terms: Sequence[Term],
    coded: FloatArray,
    blocks: Sequence[Any] | None = None,
    covariate: tuple[str, FloatArray] | None = None,
) -> Support:
    """Tell which terms the runs can estimate, and what to do about the others.

    Parameters
    ----------
    coding : Coding
        The study's coding.
    terms : sequence of Term
        The model.
    coded : array, shape (n, n_factors)
        Runs in coded units, as they will really be set.
    blocks : sequence, shape (n,), optional
        Block of each run, where blocks enter as fixed effects.
    covariate : (str, array of shape (n,)), optional
        Name and values of a column taken into account beside the blocks, such as height.

    Returns
    -------
    Support

    Examples
    --------
    >>> from kit.terms import CodedFactor, expand_terms
    >>> coding = Coding((CodedFactor("nozzle"), CodedFactor("fan")))
    >>> corners = np.array([[-1, -1], [1, -1], [-1, 1], [1, 1.0]])
    >>> found = support(coding, expand_terms(coding, "second_order"), corners)
    >>> found.not_estimable
    ('nozzle^2', 'fan^2')
    >>> found.sentences[0]
    '4 runs at 2 levels of nozzle and fan cannot see curvature there: add axial points (family = "central_composite"), or drop nozzle^2 and fan^2 from [model] terms.'
    """
    coded = np.asarray(coded, dtype=float).reshape(-1, len(coding.factors))
    X = model_matrix(coding, terms, coded)
    names = [t.name for t in terms]
    if blocks is not None:
        block_names, columns = block_columns(blocks)
        X = np.column_stack([X, columns])
        names += block_names
    if covariate is not None:
        X, names = np.column_stack([X, covariate[1]]), [*names, covariate[0]]
    null = null_space(X)
    lost = _lost_terms(terms, X, null)
    spare = len(X) - (X.shape[1] - null.shape[1])
    sentences = [
        *_curvature(coding, lost, coded),
        *_mixed_up(lost, names, null),
        *_spare(len(X), spare),
    ]
    return Support(
        estimable=tuple(t.name for t in terms if t not in lost),
        not_estimable=tuple(t.name for t in lost),
        residual_df=spare,
        sentences=tuple(sentences),
    )


def null_space(X: FloatArray) -> FloatArray:
    """Give an orthonormal basis of the null space of a model matrix, columns brought to one length.

    Parameters
    ----------
    X : array, shape (n, p)
        Model matrix; columns of zeros are allowed.

    Returns
    -------
    array, shape (p, p - rank)
        One combination of (scaled) columns that vanishes, a column each.
    """
    length = np.linalg.norm(X, axis=0)
    _, s, vt = np.linalg.svd(X / np.where(length > 0, length, 1.0), full_matrices=True)
    rank = int((s > TOLERANCE * s.max(initial=1.0)).sum())
    return np.asarray(vt[rank:].T)


def _lost_terms(terms: Sequence[Term], X: FloatArray, null: FloatArray) -> list[Term]:
    """Find the terms to give up: higher ones first, lower ones only if they stay mixed up then."""
    touched = np.abs(null[: len(terms)]).max(axis=1, initial=0.0) > TOLERANCE
    high = np.array([t.order > 1 for t in terms])
    kept = np.ones(X.shape[1], dtype=bool)
    kept[: len(terms)] = ~(touched & high)
    still = np.zeros(X.shape[1], dtype=bool)
    still[kept] = np.abs(null_space(X[:, kept])).max(axis=1, initial=0.0) > TOLERANCE
    return [t for i, t in enumerate(terms) if still[i] or not kept[i]]


def _is_square(term: Term) -> bool:
    return len(term.powers) == 1 and term.powers[0][1] == 2 and not term.levels


def _curvature(coding: Coding, lost: Sequence[Term], coded: FloatArray) -> list[str]:
    """Explain lost squares: two levels show none; centre points show only their sum."""
    squares = [t for t in lost if _is_square(t)]
    levels = {
        t.name: len(np.unique(coded[:, coding.names.index(t.powers[0][0])].round(9)))
        for t in squares
    }
    blind = [t for t in squares if levels[t.name] < 3]
    mixed = [t for t in squares if levels[t.name] >= 3]
    sentences = []
    if blind:
        factors, terms = _listed([t.powers[0][0] for t in blind]), _listed([t.name for t in blind])
        ways = "axial points" if len(coding.continuous) > 1 else "centre points or axial points"
        sentences.append(
            f"{len(coded)} runs at 2 levels of {factors} cannot see curvature there: add {ways} "
            f'(family = "central_composite"), or drop {terms} from [model] terms.'
        )
    if mixed:
        factors, terms = _listed([t.powers[0][0] for t in mixed]), _listed([t.name for t in mixed])
        sentences.append(
            f"Centre points show that there is curvature, but not of which factor ({factors}): add axial "
            f'points (family = "central_composite"), or drop {terms} from [model] terms.'
        )
    return sentences


def _mixed_up(lost: Sequence[Term], names: Sequence[str], null: FloatArray) -> list[str]:
    """Explain the other lost terms: name what each is mixed up with."""
    sentences = []
    projector = null @ null.T
    for term in (t for t in lost if not _is_square(t)):
        row = projector[names.index(term.name)]
        partners = [
            n
            for n, share in zip(names, row, strict=True)
            if abs(share) > TOLERANCE and n != term.name
        ]
        shown = ["the blocks" if n.startswith("block=") else n for n in partners]
        shown = list(dict.fromkeys(shown))
        if not shown:
            text = f"{term.name} does not vary over these runs"
        else:
            text = f"{term.name} cannot be told from {_listed(shown[:4], 'or')}"
        remedy = "use fewer blocks, " if "the blocks" in shown else "add runs that differ in it, "
        sentences.append(f"{text}: {remedy}or drop {term.name} from [model] terms.")
    if len(sentences) > MOST_SENTENCES:
        first = sentences[0].partition(":" + " ")[0]
        return [
            (
                f"{len(sentences)} effects of higher order are mixed up with others, such as: {first}. Only their sums can be seen; "
                "added runs can part them."
            )
        ]
    return sentences


def _spare(runs: int, spare: int) -> list[str]:
    if spare > FEW_SPARE - 1:
        return []
    count = "no run" if spare == 0 else "only 1 run" if spare == 1 else f"only {spare} runs"
    remedy = 'Add centre_points or replicates, or ask for fewer terms, such as terms = "main" under [model].'
    if spare == 0:
        return [
            f"{runs} runs for {runs} coefficients: {count} to spare to judge scatter by. {remedy}"
        ]
    return [f"{runs} runs leave {count} to spare; intervals will be wide. {remedy}"]


def _listed(words: Sequence[str], last: str = "and") -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {last} {words[-1]}"
