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

from kit.design.blocks import IntArray, confounded_words
from kit.design.factorial import two_level_corners
from kit.errors import DesignError
from kit.terms import FloatArray

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
        [
            sum((-1) ** s * comb(j, s) * comb(k - j, i - s) for s in range(i + 1))
            for j in range(k + 1)
        ]
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
    raise DesignError(
        f"No fraction of up to {1 << LARGEST_BASIS} runs has resolution {resolution} for {k} factors."
    )
