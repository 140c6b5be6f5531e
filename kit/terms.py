"""Coded units, term names and the model matrix.

Here, on the floor, because the plan (`kit.design`) and the fit (`kit.model`) must speak of the same
terms. A coding is learnt once from the study's low and high and then frozen, so that no prediction can
recode new settings by their own minimum and maximum.

Names: ``intercept``, ``nozzle``, ``nozzle:speed``, ``nozzle^2``, ``spool=pink`` (treatment contrast to
the first level); factors in the order of ``study.toml``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.float64]

FACTOR_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
"""What a factor or response may be called: it becomes a column and part of a term name."""

MAX_POWER = 6


@dataclass(frozen=True)
class CodedFactor:
    """How one factor is coded.

    Attributes
    ----------
    name : str
        Column of the runs table.
    low, high : float
        Settings coded -1 and +1 (continuous factors).
    levels : tuple of str
        Levels of a category, the first being the reference; empty for continuous factors.
    """

    name: str
    low: float = -1.0
    high: float = 1.0
    levels: tuple[str, ...] = ()

    @property
    def is_category(self) -> bool:
        """Whether the factor has named levels instead of a scale."""
        return bool(self.levels)

    @property
    def middle(self) -> float:
        """The setting coded 0."""
        return (self.low + self.high) / 2

    @property
    def half_range(self) -> float:
        """The natural size of one coded unit."""
        return (self.high - self.low) / 2

    def code(self, settings: Sequence[Any] | FloatArray) -> FloatArray:
        """Turn settings into coded units; a category into level numbers 0, 1, ...

        Parameters
        ----------
        settings : sequence, shape (n,)
            In natural units, or level names.

        Returns
        -------
        array, shape (n,)
            Coded values.

        Raises
        ------
        ValueError
            If a level name is unknown.
        """
        if not self.is_category:
            return (np.asarray(settings, dtype=float) - self.middle) / self.half_range
        numbers = {level: float(i) for i, level in enumerate(self.levels)}
        unknown = sorted({str(s) for s in settings} - numbers.keys())
        if unknown:
            allowed = ", ".join(self.levels)
            raise ValueError(f"{self.name}: unknown level {unknown[0]!r}; levels are {allowed}.")
        return np.array([numbers[str(s)] for s in settings], dtype=float)

    def decode(self, coded: FloatArray) -> list[Any] | FloatArray:
        """Turn coded values back: natural units, or level names for a category."""
        if not self.is_category:
            return self.middle + self.half_range * np.asarray(coded, dtype=float)
        return [self.levels[int(i)] for i in coded]


@dataclass(frozen=True)
class Coding:
    """The factors of a study, in order, and how each is coded."""

    factors: tuple[CodedFactor, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all factors in order."""
        return tuple(f.name for f in self.factors)

    @property
    def continuous(self) -> tuple[CodedFactor, ...]:
        """The factors on a scale, in order."""
        return tuple(f for f in self.factors if not f.is_category)

    @property
    def categories(self) -> tuple[CodedFactor, ...]:
        """The factors with named levels, in order."""
        return tuple(f for f in self.factors if f.is_category)

    def __getitem__(self, name: str) -> CodedFactor:
        """Give the factor of that name.

        Returns
        -------
        CodedFactor

        Raises
        ------
        KeyError
            If there is none.
        """
        for factor in self.factors:
            if factor.name == name:
                return factor
        raise KeyError(name)

    def code(self, settings: Mapping[str, Any] | pd.DataFrame) -> FloatArray:
        """Code a table of settings.

        Parameters
        ----------
        settings : mapping of factor name to n values
            A DataFrame or a dict of lists, natural units.

        Returns
        -------
        array, shape (n, n_factors)
            Coded values; level numbers for categories.
        """
        columns = [f.code(np.atleast_1d(np.asarray(settings[f.name]))) for f in self.factors]
        return np.column_stack(columns) if columns else np.empty((0, 0))

    def decode(self, coded: FloatArray) -> dict[str, Any]:
        """Turn an array, shape (n, n_factors), back into columns of natural settings."""
        return {f.name: f.decode(np.asarray(coded)[:, i]) for i, f in enumerate(self.factors)}


@dataclass(frozen=True)
class Term:
    """One column of the model matrix: powers of scales times indicators of levels.

    Attributes
    ----------
    powers : tuple of (str, int)
        Continuous factors and their powers, in the order of the study.
    levels : tuple of (str, str)
        Categories and the level whose indicator enters, in the order of the study.
    """

    powers: tuple[tuple[str, int], ...] = ()
    levels: tuple[tuple[str, str], ...] = ()
    name: str = "intercept"

    @property
    def order(self) -> int:
        """Total degree; an indicator counts one."""
        return sum(p for _, p in self.powers) + len(self.levels)

    @property
    def factors(self) -> tuple[str, ...]:
        """Names of the factors concerned."""
        return tuple(n for n, _ in self.powers) + tuple(n for n, _ in self.levels)

    @property
    def is_main_effect(self) -> bool:
        """Whether it is the straight effect of one factor."""
        return self.order == 1

    def column(self, coding: Coding, coded: FloatArray) -> FloatArray:
        """Evaluate the term.

        Parameters
        ----------
        coding : Coding
            The study's coding.
        coded : array, shape (n, n_factors)
            Coded settings.

        Returns
        -------
        array, shape (n,)
            The column of the model matrix.
        """
        place = {name: i for i, name in enumerate(coding.names)}
        column = np.ones(len(coded))
        for name, power in self.powers:
            column = column * coded[:, place[name]] ** power
        for name, level in self.levels:
            column = column * (coded[:, place[name]] == coding[name].levels.index(level))
        return column


def make_term(
    coding: Coding, powers: Mapping[str, int], levels: Mapping[str, str] | None = None
) -> Term:
    """Build a term with its parts in the study's order and its name spelt accordingly."""
    levels = levels or {}
    parts = []
    for factor in coding.factors:
        if factor.name in powers:
            power = powers[factor.name]
            parts.append(factor.name if power == 1 else f"{factor.name}^{power}")
        elif factor.name in levels:
            parts.append(f"{factor.name}={levels[factor.name]}")
    return Term(
        powers=tuple((n, powers[n]) for n in coding.names if n in powers),
        levels=tuple((n, levels[n]) for n in coding.names if n in levels),
        name=":".join(parts) or "intercept",
    )


def expand_terms(coding: Coding, terms: str | Iterable[str]) -> tuple[Term, ...]:
    """Give the terms of a model: a named family, or a list of names.

    Parameters
    ----------
    coding : Coding
        The factors.
    terms : str or iterable of str
        ``main``, ``interactions`` or ``second_order``, or names such as ``nozzle``,
        ``nozzle:speed``, ``nozzle^2``; a category's name stands for all its contrasts. The
        intercept is always included.

    Returns
    -------
    tuple of Term
        Intercept first, then main effects, two-factor terms and squares, each in study order
        (a given list keeps its own order).

    Raises
    ------
    ValueError
        If a name is unknown, a category is squared, or a family is misspelt.

    Examples
    --------
    >>> coding = Coding((CodedFactor("nozzle", 190, 230), CodedFactor("speed", 40, 120)))
    >>> [t.name for t in expand_terms(coding, "second_order")]
    ['intercept', 'nozzle', 'speed', 'nozzle:speed', 'nozzle^2', 'speed^2']
    """
    if isinstance(terms, str):
        names = _family(coding, terms)
    else:
        names = [str(t) for t in terms if str(t) != "intercept"]
    found = [Term()]
    for name in names:
        found.extend(t for t in _parse(coding, name) if t not in found)
    return tuple(found)


def _family(coding: Coding, family: str) -> list[str]:
    if family not in ("main", "interactions", "second_order"):
        raise ValueError(
            f"terms {family!r} is unknown; use main, interactions, second_order or a list of terms."
        )
    names = list(coding.names)
    if family != "main":
        names += [f"{a}:{b}" for a, b in combinations(coding.names, 2)]
    if family == "second_order":
        names += [f"{f.name}^2" for f in coding.continuous]
    return names


def _parse(coding: Coding, name: str) -> list[Term]:
    """Read one name; a category stands for one term per level after the first."""
    powers: dict[str, int] = {}
    fixed: dict[str, str] = {}
    open_categories: list[CodedFactor] = []
    for part in name.split(":"):
        factor_name, level, power = _split(part.strip())
        try:
            factor = coding[factor_name]
        except KeyError:
            known = ", ".join(coding.names)
            raise ValueError(
                f"term {name!r}: no factor {factor_name!r}; factors are {known}."
            ) from None
        if not factor.is_category:
            if level is not None:
                raise ValueError(f"term {name!r}: {factor_name} is on a scale and has no levels.")
            powers[factor_name] = powers.get(factor_name, 0) + power
        elif power != 1 or factor_name in fixed or factor in open_categories:
            raise ValueError(f"term {name!r}: a category such as {factor_name} has no square.")
        elif level is None:
            open_categories.append(factor)
        elif level not in factor.levels[1:]:
            allowed = ", ".join(factor.levels[1:])
            raise ValueError(f"term {name!r}: level {level!r} is not one of {allowed}.")
        else:
            fixed[factor_name] = level
    if any(p > MAX_POWER for p in powers.values()):
        raise ValueError(f"term {name!r}: powers above {MAX_POWER} are not supported.")
    choices: list[dict[str, str]] = [fixed]
    for factor in open_categories:
        choices = [{**c, factor.name: level} for c in choices for level in factor.levels[1:]]
    return [make_term(coding, powers, c) for c in choices]


def _split(part: str) -> tuple[str, str | None, int]:
    """Split ``speed^2`` or ``spool=pink`` into name, level and power."""
    name, equals, level = part.partition("=")
    if equals:
        return name, level, 1
    name, caret, power = part.partition("^")
    if caret and not power.isdecimal():
        raise ValueError(f"term {part!r}: the power after ^ must be a whole number.")
    if caret and int(power) < 1:
        raise ValueError(f"term {part!r}: the power after ^ must be at least 1.")
    return name, None, int(power) if caret else 1


def missing_parents(terms: Sequence[Term], coding: Coding) -> list[str]:
    """Name the lower-order terms that a hierarchical model would also hold, down to the main effects."""
    have = {t.name for t in terms}
    wanted: list[str] = []
    to_look_at = list(terms)
    for term in to_look_at:  # grows on the way: a missing parent may lack its own
        for parent in _parents(term, coding):
            if parent.name not in have and parent.name not in wanted:
                wanted.append(parent.name)
                to_look_at.append(parent)
    return wanted


def _parents(term: Term, coding: Coding) -> list[Term]:
    parents = []
    powers, levels = dict(term.powers), dict(term.levels)
    for name in powers:
        lower = {**powers, name: powers[name] - 1}
        parents.append(make_term(coding, {n: p for n, p in lower.items() if p}, levels))
    for name in levels:
        rest = {n: v for n, v in levels.items() if n != name}
        parents.append(make_term(coding, powers, rest))
    return [p for p in parents if p.order]


def model_matrix(coding: Coding, terms: Sequence[Term], coded: FloatArray) -> FloatArray:
    """Build the model matrix.

    Parameters
    ----------
    coding : Coding
        The study's coding.
    terms : sequence of Term
        The p terms.
    coded : array, shape (n, n_factors)
        Coded settings.

    Returns
    -------
    array, shape (n, p)
        One column a term.
    """
    coded = np.asarray(coded, dtype=float).reshape(-1, len(coding.factors))
    return np.column_stack([t.column(coding, coded) for t in terms])


def block_columns(labels: Sequence[Any]) -> tuple[list[str], FloatArray]:
    """Code blocks sum-to-zero, so that the intercept is an equal-weight mean over blocks.

    Parameters
    ----------
    labels : sequence, shape (n,)
        Block of each run.

    Returns
    -------
    names : list of str
        ``block=2`` ... , one for each block but the first.
    columns : array, shape (n, n_blocks - 1)
        +1 in the named block, -1 in the first, 0 elsewhere.
    """
    values = np.asarray(labels)
    unique = sorted(set(values.tolist()))
    first = values == unique[0]
    columns = [(values == b).astype(float) - first for b in unique[1:]]
    names = [f"block={b}" for b in unique[1:]]
    return names, np.column_stack(columns) if columns else np.empty((len(values), 0))
