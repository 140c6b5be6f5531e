"""Two-level fractions laid out as runs: corners, centre points, replicates, and blocks that spare main effects.

Which signs the factors take is chosen in `kit.design.aberration`.
"""

from __future__ import annotations

import numpy as np

from kit.design.aberration import Fraction
from kit.design.blocks import IntArray, block_numbers, spread
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
        notes.append(
            f"The blocks take the place of {said or 'interactions of three factors and more'}."
        )
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
    }.get(
        fraction.resolution,
        "straight effects and interactions of two factors all stand clear of one another",
    )
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
        raise DesignError(
            f'{what} takes two levels of each category; {said}. Use two, or family = "optimal".'
        )


def from_signs(coding: Coding, signs: FloatArray) -> FloatArray:
    """Turn -1 and 1 into coded runs: a category's levels are 0 and 1."""
    category = np.array([f.is_category for f in coding.factors])
    return np.where(category, (signs + 1) / 2, signs)
