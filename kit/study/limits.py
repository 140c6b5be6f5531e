"""Linear limits on the settings, such as ``nozzle + 0.25*speed <= 250``: read, never evaluated.

Grammar, in words: two sums joined by one ``<=`` or ``>=``. A sum is numbers and factors with ``+`` and
``-`` between them; a factor may be multiplied or divided by numbers. No brackets, no powers, no products
of factors.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from kit.errors import KitError
from kit.study.nearest import suggestion
from kit.terms import Coding, FloatArray

BoolArray = npt.NDArray[np.bool_]

SLACK = 1e-9
"""Share of the sizes involved by which a limit may be passed: settings on the limit are inside."""

_TOKEN = re.compile(
    r"\s*(?:(?P<number>(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)"
    r"|(?P<name>[A-Za-z_][A-Za-z0-9_]*)"
    r"|(?P<relation><=|>=|==|=|<|>|≤|≥)"
    r"|(?P<sign>[-+*/]))"
)
_RELATIONS = {"<=": 1.0, "≤": 1.0, ">=": -1.0, "≥": -1.0}


class LimitError(KitError, ValueError):
    """A limit that cannot be read.

    Parameters
    ----------
    text : str
        The limit as the user wrote it.
    position : int
        Where in it, from 0.
    reason : str
        What was found there, what is allowed, what to do.
    """

    def __init__(self, text: str, position: int, reason: str) -> None:
        self.text, self.position, self.reason = text, position, reason
        super().__init__(f"limit {text!r}, at character {position + 1}: {reason}")

    def __reduce__(self) -> tuple[type[LimitError], tuple[str, int, str]]:
        """Keep the parts when the error crosses a process border."""
        return type(self), (self.text, self.position, self.reason)


@dataclass(frozen=True)
class LinearLimit:
    """A half space of settings: sum of coefficient times setting, at most ``bound``.

    Attributes
    ----------
    coefficients : mapping of factor name to float
        In natural units, never all 0.
    bound : float
    """

    coefficients: Mapping[str, float]
    bound: float

    def __str__(self) -> str:
        """Give the limit in a form that reads back as itself."""
        parts = [f"{c!r}*{name}" for name, c in self.coefficients.items()]
        return f"{' + '.join(parts)} <= {self.bound!r}".replace("+ -", "- ")

    def value(self, settings: Mapping[str, Any]) -> FloatArray:
        """Give the left-hand side, shape (n,), at n settings in natural units (a DataFrame or a dict of lists)."""
        columns = [c * np.asarray(settings[n], dtype=float) for n, c in self.coefficients.items()]
        return np.asarray(sum(columns))

    def holds(self, settings: Mapping[str, Any]) -> BoolArray:
        """Tell which settings keep the limit.

        Parameters
        ----------
        settings : mapping of factor name to n values
            Natural units; further columns do not matter.

        Returns
        -------
        array of bool, shape (n,)
            Settings exactly on the limit are inside, also after rounding in the last binary places.
        """
        sizes = [
            np.abs(c * np.asarray(settings[n], dtype=float)) for n, c in self.coefficients.items()
        ]
        slack = SLACK * (np.asarray(sum(sizes)) + abs(self.bound))
        return np.asarray(self.value(settings) <= self.bound + slack)

    def coded(self, coding: Coding) -> tuple[FloatArray, float]:
        """Give the limit in coded units; categories get a coefficient of 0.

        Returns
        -------
        row : array, shape (n_factors,)
        bound : float
            The limit reads: row times coded settings, summed, is at most ``bound``.
        """
        row = np.array([self.coefficients.get(f.name, 0.0) * f.half_range for f in coding.factors])
        shift = sum(self.coefficients.get(f.name, 0.0) * f.middle for f in coding.continuous)
        return row, self.bound - shift


class _Token(NamedTuple):
    kind: str  # number | name | relation | sign | end
    text: str
    position: int


def parse_limit(
    text: str, factors: Sequence[str], *, categories: Sequence[str] = ()
) -> LinearLimit:
    """Read one limit.

    Parameters
    ----------
    text : str
        Such as ``"nozzle + 0.25*speed <= 250"``.
    factors : sequence of str
        Names of the factors on a scale.
    categories : sequence of str
        Names of the categories, only to say why they cannot stand in a limit.

    Returns
    -------
    LinearLimit

    Raises
    ------
    LimitError
        If it cannot be read; the message names the place in the text.

    Examples
    --------
    >>> parse_limit("nozzle + speed/4 <= 250", ["nozzle", "speed"])
    LinearLimit(coefficients={'nozzle': 1.0, 'speed': 0.25}, bound=250.0)
    >>> print(parse_limit("fan >= 20", ["fan"]))
    -1.0*fan <= -20.0
    """
    return _Reader(text, factors, categories).limit()


def parse_limits(texts: Iterable[str], coding: Coding) -> tuple[LinearLimit, ...]:
    """Read all limits of a plan; `LimitError` at the first that cannot be read."""
    scales = [f.name for f in coding.continuous]
    categories = [f.name for f in coding.categories]
    return tuple(parse_limit(text, scales, categories=categories) for text in texts)


class _Reader:
    """Walks over the tokens of one limit, summing coefficients and constants as it goes."""

    def __init__(self, text: str, factors: Sequence[str], categories: Sequence[str]) -> None:
        self.text, self.factors, self.categories = text, factors, categories
        self.tokens = self._split()
        self.at = 0
        self.coefficients: dict[str, float] = {}
        self.constant = 0.0

    def _split(self) -> list[_Token]:
        tokens, position = [], 0
        end = len(self.text.rstrip())
        while position < end:
            match = _TOKEN.match(self.text, position)
            if match is None:
                raise self._unreadable(position)
            kind = str(match.lastgroup)
            tokens.append(_Token(kind, match.group(kind), match.start(kind)))
            position = match.end()
        return [*tokens, _Token("end", "", end)]

    def _unreadable(self, position: int) -> LimitError:
        while self.text[position].isspace():
            position += 1
        found = self.text[position]
        advice = {
            ",": "write numbers with a decimal point, and each limit in its own quotes.",
            "(": "brackets are not read; multiply out.",
            ")": "brackets are not read; multiply out.",
            "^": "only straight-line limits are read; no powers.",
            "·": "write * for times.",
            "\u00d7": "write * for times.",
            "\u2212": "write the minus sign as -.",
        }
        reason = advice.get(
            found, "a limit holds numbers, factor names, + - * /, and one <= or >=."
        )
        return LimitError(self.text, position, f"found {found!r}; {reason}")

    def _fail(self, token: _Token, reason: str) -> LimitError:
        return LimitError(self.text, token.position, reason)

    def limit(self) -> LinearLimit:
        """Read left side, relation and right side; bring factors to the left, constants to the right."""
        self._sum(1.0)
        relation = self._relation()
        self._sum(-1.0)
        if self._peek().kind == "relation":
            raise self._fail(
                self._peek(), "a second relation; write two limits, each with one <= or >=."
            )
        side = _RELATIONS[relation.text]
        coefficients = {n: side * c for n, c in self.coefficients.items() if c != 0}
        if not coefficients:
            raise self._fail(self.tokens[0], "no factor is left in it, so it limits nothing.")
        bound = 0.0 - side * self.constant
        if not all(map(np.isfinite, [bound, *coefficients.values()])):
            raise self._fail(self.tokens[0], "its numbers are too large.")
        return LinearLimit(coefficients, bound)

    def _peek(self) -> _Token:
        return self.tokens[self.at]

    def _next(self) -> _Token:
        token = self.tokens[self.at]
        self.at += token.kind != "end"
        return token

    def _relation(self) -> _Token:
        token = self._next()
        if token.kind != "relation":
            raise self._fail(token, f"found {token.text or 'the end'!r}; <= or >= is missing.")
        if token.text not in _RELATIONS:
            raise self._fail(token, f"found {token.text!r}; write <= or >=.")
        return token

    def _sum(self, side: float) -> None:
        sign = self._sign()
        while True:
            self._term(side * sign)
            token = self._peek()
            if token.text not in ("+", "-"):
                if token.kind in ("number", "name"):
                    raise self._fail(
                        token, f"found {token.text!r} without a sign before it; write * for times."
                    )
                return
            sign = self._sign()

    def _sign(self) -> float:
        """Read any + and - that come, so that ``a - -1`` is fine."""
        sign = 1.0
        while self._peek().text in ("+", "-"):
            sign *= -1.0 if self._next().text == "-" else 1.0
        return sign

    def _term(self, sign: float) -> None:
        factor, value = self._atom()
        value *= sign
        while self._peek().text in ("*", "/"):
            operator = self._next()
            next_factor, next_value = self._atom()
            if next_factor and (factor or operator.text == "/"):
                raise self._fail(
                    operator,
                    "only straight-line limits are read: no product or quotient of factors.",
                )
            if operator.text == "/" and next_value == 0:
                raise self._fail(operator, "division by 0.")
            value = value * next_value if operator.text == "*" else value / next_value
            factor = factor or next_factor
        if factor:
            self.coefficients[factor] = self.coefficients.get(factor, 0.0) + value
        else:
            self.constant += value

    def _atom(self) -> tuple[str, float]:
        """Read a number, or the name of a factor (which counts 1)."""
        token = self._next()
        if token.kind == "number":
            return "", float(token.text)
        if token.kind != "name":
            raise self._fail(
                token, f"found {token.text or 'the end'!r}; a number or a factor belongs here."
            )
        if token.text in self.categories:
            raise self._fail(
                token, f"{token.text!r} is a category; limits speak of factors on a scale."
            )
        if token.text not in self.factors:
            hint = suggestion(token.text, self.factors, kind="factors on a scale")
            raise self._fail(token, f"no factor {token.text!r}; {hint}")
        return token.text, 1.0


def never_met(limit: LinearLimit, coding: Coding) -> bool:
    """Whether no setting between the lows and highs keeps the limit."""
    row, bound = limit.coded(coding)
    return bool(-np.abs(row).sum() > bound + SLACK * (np.abs(row).sum() + abs(bound)))
