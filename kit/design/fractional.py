"""Two-level fractions 2^(k-p) of minimum aberration: as few mixed-up effects as so many runs allow.

The corners of m basic factors are printed; every further factor takes the sign of an interaction of
those ("word"). Which words, decides what is mixed up with what. A fraction has the longest possible
shortest word in its defining relation (its resolution), then the fewest words of that length, then of
the next (minimum aberration, Fries & Hunter 1980, Technometrics 22, 601-608).

The words are searched, not looked up: factors join one at a time and the best designs of each size are
kept (after Chen, Sun & Wu 1993, Int. Stat. Review 61, 131-145). Word-length patterns come from the runs'
weights by the MacWilliams identity (Xu & Wu 2001, Annals of Statistics 29, 1066-1077).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import comb

import numpy as np

from kit.design.blocks import IntArray, block_numbers, confounded_words, spread
from kit.design.factorial import (
    CENTRE,
    CORNER,
    CodedRuns,
    centre_runs,
    check_size,
    two_level_corners,
    two_level_names,
)
from kit.errors import DesignError
from kit.terms import Coding, FloatArray

MOST_FACTORS, LARGEST_BASIS = 11, 7
"""Fractions are made for up to 11 factors and 2^7 runs."""
_KEPT, _ALIKE = 96, 6
"""So many designs of each size are kept, so many of one word-length pattern."""


@dataclass(frozen=True)
class Fraction:
    """Which signs the added factors take.

    Attributes
    ----------
    k, basis : int
        Factors, and how many of them are basic; there are 2^basis runs.
    words : tuple of int
        Columns of all k factors as bit masks over the basic factors: bit j set, basic factor j enters.
    pattern : tuple of int
        Numbers of words of length 3, 4, ... k in the defining relation.
    """

    k: int
    basis: int
    words: tuple[int, ...]
    pattern: tuple[int, ...]

    @property
    def runs(self) -> int:
        """Number of corners."""
        return 1 << self.basis

    @property
    def resolution(self) -> int:
        """Length of the shortest word; k + 1 where there is none (a full factorial)."""
        return next((i + 3 for i, n in enumerate(self.pattern) if n), self.k + 1)

    @property
    def signs(self) -> FloatArray:
        """The corners, shape (2^basis, k), -1 and 1; the first factor changes fastest."""
        basic = two_level_corners(self.basis)
        places = [[j for j in range(self.basis) if w >> j & 1] for w in self.words]
        return np.column_stack([basic[:, p].prod(axis=1) for p in places])

    @property
    def relation(self) -> tuple[tuple[int, ...], ...]:
        """All words of the defining relation as places of factors, shortest first."""
        generators = []
        for i in range(self.basis, self.k):
            generators.append((*(j for j in range(self.basis) if self.words[i] >> j & 1), i))
        return tuple(confounded_words(generators))


@cache
def minimum_aberration(k: int, basis: int) -> Fraction:
    """Choose the fraction of minimum aberration.

    Parameters
    ----------
    k : int
        Two-level factors, 1 to 11.
    basis : int
        The runs are 2^basis; at least 2 and at most 7, fewer than 2^basis factors.

    Returns
    -------
    Fraction

    Raises
    ------
    DesignError
        If there are too many factors for so many runs.

    Examples
    --------
    >>> half = minimum_aberration(5, 4)
    >>> half.resolution, half.pattern, half.relation
    (5, (0, 0, 1), ((0, 1, 2, 3, 4),))
    """
    if not basis <= k <= MOST_FACTORS or not 2 <= basis <= LARGEST_BASIS or k >= 1 << basis:
        raise DesignError(
            f"No fraction of {1 << basis} runs for {k} factors: fractions have 4 to {1 << LARGEST_BASIS} runs, more "
            f"runs than factors, and at most {MOST_FACTORS} factors."
        )
    parity = _parities(basis)
    designs: list[tuple[int, ...]] = [tuple(1 << j for j in range(basis))]
    for size in range(basis + 1, k + 1):
        designs = _grown(designs, size, basis, parity)
    best = designs[0]
    return Fraction(k, basis, best, _patterns(_weights(best, parity)[None], k, basis)[0])


def _parities(basis: int) -> IntArray:
    """Give for each run (row) and word (column) whether the word's sign is minus there."""
    n = 1 << basis
    both = np.arange(n)[:, None] & np.arange(n)
    bits = (both[..., None] >> np.arange(basis)) & 1
    return np.asarray(bits.sum(axis=-1) & 1, dtype=np.intp)


def _weights(words: tuple[int, ...], parity: IntArray) -> IntArray:
    return np.asarray(parity[:, list(words)].sum(axis=1))


def _grown(
    designs: list[tuple[int, ...]], size: int, basis: int, parity: IntArray
) -> list[tuple[int, ...]]:
    """Add one factor to every kept design in every way and keep the best."""
    found: dict[frozenset[int], tuple[tuple[int, ...], tuple[int, ...]]] = {}
    for words in designs:
        left = np.array([w for w in range(1, 1 << basis) if w not in words and w.bit_count() > 1])
        weights = _weights(words, parity)[:, None] + parity[:, left]
        for word, pattern in zip(left.tolist(), _patterns(weights.T, size, basis), strict=True):
            found.setdefault(frozenset((*words, word)), (pattern, (*words, word)))
    ranked = sorted(found.values(), key=lambda f: (f[0], [-w.bit_count() for w in f[1]], f[1]))
    alike: dict[tuple[int, ...], int] = {}
    kept = []
    for pattern, words in ranked:
        alike[pattern] = alike.get(pattern, 0) + 1
        if alike[pattern] <= _ALIKE:
            kept.append(words)
        if len(kept) == _KEPT:
            break
    return kept


@cache
def _krawtchouk(k: int) -> IntArray:
    """Give the Krawtchouk polynomials P_i(j), shape (k + 1, k + 1)."""
    table = [
        [sum((-1) ** s * comb(j, s) * comb(k - j, i - s) for s in range(i + 1)) for j in range(k + 1)]
        for i in range(k + 1)
    ]
    return np.array(table, dtype=np.intp)


def _patterns(weights: IntArray, k: int, basis: int) -> list[tuple[int, ...]]:
    """Give the word-length patterns of designs whose runs have these weights, shape (designs, runs)."""
    counts = np.stack([(weights == j).sum(axis=1) for j in range(k + 1)], axis=1)
    words = counts @ _krawtchouk(k).T >> basis
    return [tuple(int(n) for n in row[3:]) for row in words]


def fraction_for(k: int, resolution: int) -> Fraction:
    """Give the smallest fraction of at least that resolution; the full factorial if there is none.

    Parameters
    ----------
    k : int
        Two-level factors, 3 to 11.
    resolution : int
        3: main effects apart; 4: also apart from two-factor interactions; 5: those apart as well.

    Returns
    -------
    Fraction

    Raises
    ------
    DesignError
        If even 2^7 runs do not reach it.

    Examples
    --------
    >>> fraction_for(7, 3).runs, fraction_for(7, 4).runs, fraction_for(7, 5).runs
    (8, 16, 64)
    """
    for basis in range(2, min(k, LARGEST_BASIS) + 1):
        if k < 1 << basis:
            found = minimum_aberration(k, basis)
            if found.resolution >= resolution or basis == k:
                return found
    raise DesignError(f"No fraction of up to {1 << LARGEST_BASIS} runs has resolution {resolution} for {k} factors.")


def fractional_factorial(
    coding: Coding,
    fraction: Fraction,
    *,
    centre_points: int = 0,
    replicates: int = 1,
    blocks: int = 1,
) -> CodedRuns:
    """Lay out a two-level fraction.

    Parameters
    ----------
    coding : Coding
        Factors on a scale, and categories of two levels.
    fraction : Fraction
        Of as many factors.
    centre_points : int, default 0
        At each combination of the categories' levels.
    replicates : int, default 1
        Times that every corner is printed anew.
    blocks : int, default 1
        Whole replicates where they divide evenly, else a power of two a replicate, by giving up interactions.

    Returns
    -------
    CodedRuns

    Raises
    ------
    DesignError
        If a category has more than two levels, or such blocks would take a main effect's place.
    """
    check_two_levels(coding, "A fraction")
    signs = fraction.signs
    corners = from_signs(coding, signs)
    middle = centre_runs(coding, centre_points if coding.continuous else 0)
    check_size(len(corners) * replicates + len(middle))
    numbers, lost = _fraction_blocks(fraction, signs, replicates, blocks)
    coded = np.vstack([np.tile(corners, (replicates, 1)), middle])
    block = np.concatenate([numbers, spread(len(middle), len(centre_runs(coding, 1)), blocks)]) + 1
    kind = (CORNER,) * (len(corners) * replicates) + (CENTRE,) * len(middle)
    names = two_level_names(coding)
    notes = [_fraction_note(fraction)]
    if blocks > 1 and replicates % blocks:
        said = ", ".join(":".join(names[j] for j in w) for w in lost)
        notes.append(f"The blocks take the place of {said or 'interactions of three factors and more'}.")
    given = tuple(frozenset(names[j] for j in w) for w in lost)
    return CodedRuns(coded, block, kind, tuple(notes), given)


def _fraction_note(fraction: Fraction) -> str:
    """Say what the fraction costs, in words."""
    if fraction.basis == fraction.k:
        return f"All {fraction.runs} corners are printed: no effect is mixed up with another."
    share = f"{fraction.runs} of {1 << fraction.k} corners (resolution {fraction.resolution})"
    mixed = {
        3: "straight effects are mixed up with interactions of two factors",
        4: "straight effects stand clear of interactions of two factors, which are mixed up among themselves",
    }.get(fraction.resolution, "straight effects and interactions of two factors all stand clear of one another")
    return f"{share}: {mixed}."


def _fraction_blocks(
    fraction: Fraction, signs: FloatArray, replicates: int, blocks: int
) -> tuple[IntArray, list[tuple[int, ...]]]:
    """Give blocks of the corners of all replicates, from 0, and the shortest words they take the place of."""
    n = len(signs)
    if replicates % blocks == 0:
        return np.repeat(np.arange(replicates, dtype=np.intp) % blocks, n), []
    parts = blocks // replicates
    if blocks % replicates or parts & (parts - 1) or parts >= fraction.runs:
        possible = [b for b in range(1, replicates + 1) if replicates % b == 0]
        possible += [replicates * 2**i for i in range(1, fraction.basis)]
        raise DesignError(
            f"{blocks} blocks do not divide {replicates} x {n} corners; possible: {', '.join(map(str, possible))} blocks."
        )
    words, lost = _best_block_words(fraction, parts)
    one = block_numbers(two_level_corners(fraction.basis), words)
    return np.concatenate([one + parts * r for r in range(replicates)]), lost


def _best_block_words(
    fraction: Fraction, parts: int
) -> tuple[tuple[tuple[int, ...], ...], list[tuple[int, ...]]]:
    """Choose block words among the basic factors' interactions that spare main effects, then pairs."""
    aliases = _aliases_of_words(fraction)
    shortest = {w: min((len(a) for a in aliases[w]), default=3) for w in aliases}
    pool = sorted(range(1, fraction.runs), key=lambda w: (-shortest[w], w))

    def merit(words: tuple[int, ...]) -> tuple[int, int]:
        lengths = [shortest[g] for g in _group(words)]
        return min(lengths), -lengths.count(min(lengths))

    best = max(_independent(pool, parts.bit_length() - 1), key=merit)
    if merit(best)[0] < 2:
        raise DesignError(
            f"{parts} blocks of {fraction.runs} corners would take the place of a straight effect; use fewer blocks, "
            "more runs or replicates."
        )
    places = tuple(tuple(j for j in range(fraction.basis) if w >> j & 1) for w in best)
    return places, sorted(a for g in _group(best) for a in aliases[g])


def _group(words: tuple[int, ...]) -> list[int]:
    """Give all products of words, but for the empty one."""
    group = [0]
    for word in words:
        group += [g ^ word for g in group]
    return group[1:]


def _aliases_of_words(fraction: Fraction) -> dict[int, list[tuple[int, ...]]]:
    """Find the effects of one or two factors that share each word's signs."""
    found: dict[int, list[tuple[int, ...]]] = {w: [] for w in range(fraction.runs)}
    for i, word in enumerate(fraction.words):
        found[word].append((i,))
        for j in range(i + 1, fraction.k):
            found[word ^ fraction.words[j]].append((i, j))
    return found


def _independent(pool: list[int], count: int, most: int = 4000) -> list[tuple[int, ...]]:
    """List sets of independent words, at most so many."""
    found: list[tuple[int, ...]] = []

    def grow(words: tuple[int, ...], group: frozenset[int], start: int) -> None:
        if len(words) == count:
            found.append(words)
            return
        for i in range(start, len(pool)):
            if len(found) >= most:
                return
            if pool[i] not in group:
                grow((*words, pool[i]), group | {g ^ pool[i] for g in group}, i + 1)

    grow((), frozenset({0}), 0)
    return found


def check_two_levels(coding: Coding, what: str) -> None:
    """Refuse categories of more than two levels.

    Parameters
    ----------
    coding : Coding
        The factors.
    what : str
        What cannot hold them, as a sentence's start.

    Raises
    ------
    DesignError
        Naming them, with the way out.
    """
    many = [f for f in coding.categories if len(f.levels) != 2]
    if many:
        said = " and ".join(f"{f.name} has {len(f.levels)}" for f in many)
        raise DesignError(f'{what} takes two levels of each category; {said}. Use two, or family = "optimal".')


def from_signs(coding: Coding, signs: FloatArray) -> FloatArray:
    """Turn -1 and 1 into coded runs: a category's levels are 0 and 1."""
    category = np.array([f.is_category for f in coding.factors])
    return np.where(category, (signs + 1) / 2, signs)
