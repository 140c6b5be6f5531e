"""Which terms the runs can tell apart: first-order effects must be, higher terms may be left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from kit.errors import NotEstimableError
from kit.model.least_squares import RANK_TOLERANCE
from kit.saying import counted, listed, setting
from kit.terms import CodedFactor, Coding, FloatArray, Term, model_matrix

LOADING = 1e-6
"""A share smaller than this in a dependence is rounding."""


@dataclass(frozen=True)
class Estimable:
    """The terms that are fitted, and those that are not.

    Attributes
    ----------
    terms : tuple of Term
        Fitted, in the order asked for.
    not_estimable : tuple of str
        Names of the terms left out.
    alias_notes : tuple of str
        A sentence for each: what it is mixed up with.
    """

    terms: tuple[Term, ...]
    not_estimable: tuple[str, ...]
    alias_notes: tuple[str, ...]


def estimable_terms(
    coding: Coding,
    terms: Sequence[Term],
    coded: FloatArray,
    blocks: FloatArray,
    units: Mapping[str, str],
) -> Estimable:
    """Decide which terms the runs can tell apart.

    Lower-order terms are kept first, terms of one order in the order asked for.

    Parameters
    ----------
    coding : Coding
        The study's coding.
    terms : sequence of Term
        The model asked for, intercept first.
    coded : array, shape (n, n_factors)
        Coded settings of the runs used.
    blocks : array, shape (n, n_blocks - 1)
        Block columns; no columns without blocks.
    units : mapping of factor name to unit
        For the sentences.

    Returns
    -------
    Estimable

    Raises
    ------
    NotEstimableError
        If main effects cannot be told apart, from each other or from the blocks: all are named.
    """
    _first_order_or_refuse(coding, terms, coded, blocks, units)
    kept, left_out, notes = [t for t in terms if t.order < 2], [], []
    columns = np.column_stack([model_matrix(coding, kept, coded), blocks])
    names = [*(t.name for t in kept), *(f"block {i}" for i in range(blocks.shape[1]))]
    basis = np.linalg.qr(columns)[0]
    for term in sorted((t for t in terms if t.order > 1), key=lambda t: t.order):
        column = term.column(coding, coded)
        rest = column - basis @ (basis.T @ column)
        rest -= basis @ (basis.T @ rest)
        length = float(np.linalg.norm(rest))
        if length > RANK_TOLERANCE * max(float(np.linalg.norm(column)), RANK_TOLERANCE):
            kept.append(term)
            names.append(term.name)
            columns = np.column_stack([columns, column])
            basis = np.column_stack([basis, rest / length])
        else:
            left_out.append(term)
            notes.append(_alias_sentence(term, column, columns, names))
    fitted = tuple(t for t in terms if t in kept)
    return Estimable(fitted, tuple(t.name for t in left_out), tuple(notes))


def _alias_sentence(
    term: Term, column: FloatArray, columns: FloatArray, names: Sequence[str]
) -> str:
    # Say what a term that was left out is mixed up with.
    shares = np.linalg.lstsq(columns, column, rcond=None)[0] * np.linalg.norm(columns, axis=0)
    mixed = [
        name
        for name, share in zip(names, shares, strict=True)
        if abs(share) > LOADING * max(1.0, float(np.linalg.norm(column)))
    ]
    others = [n for n in mixed if n != "intercept" and not n.startswith("block ")]
    if any(n.startswith("block ") for n in mixed):
        others.append("the difference between blocks")
    if not others:
        squared = [name for name, power in term.powers if power > 1]
        remedy = f": print {squared[0]} at three settings to see its bend" if squared else ""
        return f"{term.name} is the same in every run{remedy}."
    return f"{term.name} is mixed up with {listed(others)}."


def _first_order_or_refuse(
    coding: Coding,
    terms: Sequence[Term],
    coded: FloatArray,
    blocks: FloatArray,
    units: Mapping[str, str],
) -> None:
    # Raise when the straight effects, with the blocks, depend on each other.
    mains = [t for t in terms if t.is_main_effect]
    concerned, sentences = _never_moved(coding, mains, coded, units)
    moving = [t for t in mains if t.name not in concerned]
    first = np.column_stack([model_matrix(coding, [Term(), *moving], coded), blocks])
    if len(coded) < first.shape[1] and moving:
        needed = first.shape[1]
        sentences.append(
            f"{counted(len(coded), 'printed run')} with a result cannot settle the intercept and the "
            f"effects of {listed([t.name for t in moving])}"
            f"{' beside the blocks' if blocks.shape[1] else ''}: at least {needed} runs are needed, "
            "and some more to judge the scatter by."
        )
        concerned += [t.name for t in moving]
    else:
        for group, with_blocks in _dependences(moving, first):
            concerned += group
            sentences.append(_mixed_sentence(group, with_blocks))
    if concerned:
        order = [t.name for t in mains]
        raise NotEstimableError(sorted(set(concerned), key=order.index), " ".join(sentences))


def _never_moved(
    coding: Coding, mains: Sequence[Term], coded: FloatArray, units: Mapping[str, str]
) -> tuple[list[str], list[str]]:
    # Find factors that stood still and levels that were never printed.
    concerned: list[str] = []
    sentences: list[str] = []
    for place, factor in enumerate(coding.factors):
        mine = [t.name for t in mains if t.factors == (factor.name,)]
        values = np.unique(coded[:, place])
        if not mine:
            continue
        if len(values) < 2:
            stood = factor.decode(values)[0] if len(values) else "nothing"
            concerned += mine
            sentences.append(
                f"{factor.name} was {setting(stood, units.get(factor.name, ''))} in every printed run, so "
                "its effect cannot be seen. Print runs at another setting of it, or take it out of the "
                "study."
            )
        elif factor.is_category and len(values) < len(factor.levels):
            lost = _unprinted(factor, values)
            concerned += mine if factor.levels[0] in lost else [f"{factor.name}={x}" for x in lost]
            sentences.append(
                f"{factor.name} {listed(lost)} was never printed, so nothing can be said of it. Print "
                "it, or take it out of the levels."
            )
    return concerned, sentences


def _unprinted(factor: CodedFactor, values: FloatArray) -> list[str]:
    return [level for i, level in enumerate(factor.levels) if i not in values]


def _dependences(mains: Sequence[Term], first: FloatArray) -> list[tuple[list[str], bool]]:
    # Group the main effects that depend on each other (and whether on the blocks as well).
    scaled = first / np.linalg.norm(first, axis=0)
    _, sizes, rows = np.linalg.svd(scaled)
    null = rows[np.sum(sizes > RANK_TOLERANCE) :]
    if not len(null):
        return []
    # Columns that share a dependence are linked in the projector on the null space.
    linked = np.abs(null.T @ null) > LOADING
    groups = []
    left = [i for i in range(1, len(mains) + 1) if linked[i, i]]
    while left:
        group = {left[0]}
        while grown := {int(j) for i in group for j in np.flatnonzero(linked[i])} - group:
            group |= grown
        names = [mains[i - 1].name for i in sorted(group) if 1 <= i <= len(mains)]
        groups.append((names, any(i > len(mains) for i in group)))
        left = [i for i in left if i not in group]
    return groups


def _mixed_sentence(group: Sequence[str], with_blocks: bool) -> str:
    if with_blocks:
        how = (
            "changed only from block to block"
            if len(group) == 1
            else "and the blocks changed together"
        )
        return (
            f"{listed(group)} {how}, so their effect cannot be told from what else differs between "
            "the blocks. Print runs that differ in it inside one block or, if the blocks were alike in "
            'all else, set blocks = "none" under [model].'
        )
    return (
        f"{listed(group)} changed together in the printed runs, so their effects cannot be told "
        "apart. Print runs in which one changes and the others do not."
    )
