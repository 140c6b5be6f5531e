"""Blocks of two-level corners by confounding: plates, days or spools that do not disturb what matters.

Which block a corner falls into is decided by the signs of a few high-order interactions ("words"),
which are then given up. Main effects never are.

References
----------
Box, Hunter and Hunter, Statistics for Experimenters, 2nd ed. 2005, ch. 5 (blocking by confounding).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from itertools import islice

import numpy as np
import numpy.typing as npt

from kit.errors import DesignError
from kit.terms import FloatArray

IntArray = npt.NDArray[np.intp]

MOST_CHOICES = 20_000
"""So many choices of words are looked at for each shortest length."""
MOST_SPLITS = 5
"""A replicate is split into at most 2^5 blocks."""


@cache
def block_words(k: int, blocks: int) -> tuple[tuple[int, ...], ...]:
    """Choose the interactions to give up so that 2^k corners fall into blocks.

    Parameters
    ----------
    k : int
        Number of two-level factors.
    blocks : int
        Number of blocks, a power of 2 below 2^k.

    Returns
    -------
    tuple of tuple of int
        The generating words, each the places of its factors. All their products are given up too; the
        choice has the longest shortest word, then the fewest words of that length, among those compared.

    Raises
    ------
    DesignError
        If there are as many blocks as corners, or more.

    Examples
    --------
    >>> block_words(3, 2), block_words(1, 1)
    (((0, 1, 2),), ())
    """
    m = blocks.bit_length() - 1
    if m == 0:
        return ()
    # All words together use each factor 2^(m-1) times, so the shortest is at most their mean length.
    longest = (k * 2 ** (m - 1)) // (2**m - 1)
    for shortest in range(longest, 0, -1):
        words = [w for w in range(1, 2**k) if w.bit_count() >= shortest]
        words.sort(key=lambda w: (-w.bit_count(), w))
        choices = list(islice(_choices([0], words, m, shortest, [MOST_CHOICES]), MOST_CHOICES))
        if choices:
            best = min(choices, key=_shortness)
            return tuple(tuple(j for j in range(k) if word >> j & 1) for word in best)
    raise DesignError(f"2^{k} corners cannot be put into {blocks} blocks.")


def _choices(
    group: list[int], words: Sequence[int], m: int, shortest: int, budget: list[int]
) -> Iterator[tuple[int, ...]]:
    """Give sets of m words of which all products have at least ``shortest`` factors."""
    if m == 0:
        yield ()
        return
    for i, word in enumerate(words):
        budget[0] -= 1
        if budget[0] < 0:
            return
        added = [p ^ word for p in group]
        if min(p.bit_count() for p in added) >= shortest:
            for rest in _choices(group + added, words[i + 1 :], m - 1, shortest, budget):
                yield (word, *rest)


def confounded_words(words: Sequence[Sequence[int]]) -> list[tuple[int, ...]]:
    """Give all interactions given up with blocks: the words and their products, shortest first.

    Parameters
    ----------
    words : sequence of sequence of int
        Generating words.

    Returns
    -------
    list of tuple of int
        2^m - 1 words, each the places of its factors.
    """
    masks = [sum(1 << j for j in word) for word in words]
    found = [tuple(j for j in range(64) if p >> j & 1) for p in _products(masks)]
    return sorted(found, key=lambda w: (len(w), w))


def _products(masks: Sequence[int]) -> list[int]:
    """Give all products of words: a factor that stands in both cancels."""
    found = [0]
    for mask in masks:
        found += [p ^ mask for p in found]
    return found[1:]


def _shortness(masks: Sequence[int]) -> tuple[int, ...]:
    """Rank a choice of words: longest shortest word first, then fewest of that length."""
    return tuple(-n for n in sorted(p.bit_count() for p in _products(masks)))


def block_numbers(signs: FloatArray, words: Sequence[Sequence[int]]) -> IntArray:
    """Give the block of each corner by the signs of the words, numbered from 0.

    Parameters
    ----------
    signs : array, shape (n, k)
        -1 and 1.
    words : sequence of sequence of int
        Generating words.

    Returns
    -------
    array of int, shape (n,)
    """
    number = np.zeros(len(signs), dtype=np.intp)
    for i, word in enumerate(words):
        number += (signs[:, list(word)].prod(axis=1) < 0).astype(np.intp) << i
    return number


def word_name(word: Sequence[int], names: Sequence[str]) -> str:
    """Name an interaction, such as ``nozzle:speed:fan``."""
    return ":".join(names[j] for j in word)


def spread(number: int, combinations: int, blocks: int) -> IntArray:
    """Deal centre points over blocks as evenly as possible, the last block first.

    Parameters
    ----------
    number : int
        All centre points, combination by combination of the categories' levels in turn.
    combinations, blocks : int
        How many of each.

    Returns
    -------
    array of int, shape (number,)
        Block, from 0; the combinations are dealt evenly too.

    Examples
    --------
    >>> spread(4, 1, 3).tolist(), spread(4, 2, 2).tolist()
    ([2, 1, 0, 2], [1, 0, 0, 1])
    """
    place = np.arange(number, dtype=np.intp)
    return (blocks - 1 - (place // combinations + place % combinations) % blocks).astype(np.intp)


def replicate_blocks(
    signs: FloatArray, replicates: int, blocks: int, *, shortest: int
) -> tuple[IntArray, tuple[tuple[int, ...], ...]]:
    """Put the corners of all replicates into blocks.

    Parameters
    ----------
    signs : array, shape (n, k)
        Corners of one replicate.
    replicates, blocks : int
        How many of each.
    shortest : int
        Fewest factors an interaction must have to be given up: 2 keeps main effects, 3 also two-factor terms.

    Returns
    -------
    numbers : array of int, shape (n x replicates,)
        Block of each corner, from 0.
    words : tuple of tuple of int
        What each replicate gives up; empty when blocks are whole replicates.

    Raises
    ------
    DesignError
        If no such blocks exist.
    """
    n, k = signs.shape
    if replicates % blocks == 0:
        return np.repeat(np.arange(replicates, dtype=np.intp) % blocks, n), ()
    possible = possible_blocks(k, replicates, shortest)
    if blocks in possible:
        parts = blocks // replicates
        words = block_words(k, parts)
        one = block_numbers(signs, words)
        return np.concatenate([one + parts * r for r in range(replicates)]), words
    raise DesignError(
        f"{blocks} blocks do not divide {replicates} x {n} corners without giving up "
        f"{'main effects' if shortest == 2 else 'two-factor interactions'}; possible here: "
        f"{', '.join(map(str, possible))} blocks. More replicates make more blocks possible."
    )


def possible_blocks(k: int, replicates: int, shortest: int) -> list[int]:
    """List the numbers of blocks into which 2^k corners can be put, replicates considered.

    Parameters
    ----------
    k, replicates : int
        Two-level factors, and times that every corner is printed.
    shortest : {2, 3}
        Fewest factors an interaction must have to be given up.

    Returns
    -------
    list of int

    Notes
    -----
    Words of at least 2 factors exist for up to 2^(k-1) blocks; words of at least 3 as long as the
    number of corners a block exceeds k (the bound of Hamming, which shortened Hamming codes reach).

    Examples
    --------
    >>> possible_blocks(3, 1, 2), possible_blocks(5, 1, 3)
    ([1, 2, 4], [1, 2, 4])
    """
    whole = [b for b in range(1, replicates + 1) if replicates % b == 0]
    most = k - 1 if shortest == 2 else max(m for m in range(k + 1) if m == 0 or 2 ** (k - m) > k)
    return whole + [replicates * 2**m for m in range(1, min(most, MOST_SPLITS) + 1)]


def given_up(names: Sequence[str], words: Sequence[Sequence[int]]) -> tuple[frozenset[str], ...]:
    """Give the interactions lost to blocks, each as the set of its factors' names."""
    return tuple(frozenset(names[j] for j in w) for w in confounded_words(words))


def blocking_notes(names: Sequence[str], words: Sequence[Sequence[int]]) -> tuple[str, ...]:
    """Say which interactions of the named two-level factors are given up to blocks."""
    if not words:
        return ()
    given = ", ".join(word_name(w, names) for w in confounded_words(words))
    return (f"The blocks take the place of {given}, which cannot be told from them.",)
