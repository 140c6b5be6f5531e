"""The comparison of a study folder: every response, every category, and its ``results.json``."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kit.bench.instruments import specimen_results
from kit.bench.measured import Measured
from kit.errors import ModelError
from kit.model.compare import Comparison, compare_levels
from kit.model.equivalence import ALPHA, prints_needed
from kit.model.pairs import Pair
from kit.report.numbers import numbers_document
from kit.study.data import StudyData
from kit.study.description import Response, Study
from kit.study.intake import take_in


@dataclass(frozen=True)
class CompareStudy:
    """What differs, by how much, and whether that matters.

    Attributes
    ----------
    data : StudyData
    measured : mapping of response name to Measured
    comparisons : mapping of (factor, response name) to Comparison
        Factor by factor, in study order.
    failures : tuple of str
        What could not be compared, and what to do.
    """

    data: StudyData
    measured: Mapping[str, Measured]
    comparisons: Mapping[tuple[str, str], Comparison]
    failures: tuple[str, ...]

    @property
    def study(self) -> Study:
        """The description."""
        return self.data.study

    @property
    def factors(self) -> tuple[str, ...]:
        """The categories compared."""
        return tuple(dict.fromkeys(factor for factor, _ in self.comparisons))

    def of_factor(self, factor: str) -> dict[str, Comparison]:
        """Give the comparisons of one category by response."""
        return {r: c for (f, r), c in self.comparisons.items() if f == factor}

    def response(self, name: str) -> Response:
        """Give a response."""
        return self.study.response_named(name)


def compare_study(folder: str | Path, *, factor: str = "", against: str = "") -> CompareStudy:
    """Compare the levels of a study's categories: spools, colours, blends, printers.

    Parameters
    ----------
    folder : str or Path
        A study folder with at least one factor of the kind ``category``.
    factor : str, optional
        Which category; all by default.
    against : str, optional
        A level that all others of its category are compared with; all pairs by default.

    Returns
    -------
    CompareStudy

    Raises
    ------
    StudyError
        If the study has problems.
    ModelError
        If there is no category of that name or none with that level, or nothing can be compared.
    """
    data = take_in(Path(folder))
    study, measured = data.study, specimen_results(data)
    categories = [f for f in study.factors if f.is_category and factor in ("", f.name)]
    if not categories:
        raise ModelError(
            f"there is no factor {factor!r} of the kind category to compare."
            if factor
            else "this study varies no category; give the factor to compare the kind category, with its levels."
        )
    if against and not any(against in f.levels for f in categories):
        raise ModelError(f"no category has a level {against!r} to compare the others with.")
    found: dict[tuple[str, str], Comparison] = {}
    failures: list[str] = []
    for category in categories:
        home = against if against in category.levels else ""
        for name, result in measured.items():
            if result.response.passes_or_fails:
                continue
            try:
                found[category.name, name] = compare_levels(
                    result, data.runs, study, category.name, against=home
                )
            except ModelError as error:
                failures.append(f"{category.name}, {name}: {error}")
    if not found:
        reasons = " ".join(dict.fromkeys(failures))
        raise ModelError(reasons or "no printed run has a result yet, so nothing can be compared.")
    return CompareStudy(data, measured, found, tuple(failures))


@dataclass(frozen=True)
class Needed:
    """How much printing would show that nothing differs by more than the margin.

    Attributes
    ----------
    number : int or None
        Of ``what`` a level; None beyond 1000.
    what : str
        ``print``, or the group of which each level has several, such as ``spool``.
    each : float
        Prints of each such group.
    """

    number: int | None
    what: str
    each: float


def needed_prints(comparison: Comparison) -> Needed | None:
    """Give what would show, in 4 of 5 studies, that all differences lie within the margin if none is there.

    Where each level has several spools (or the like) these are counted, each with as many prints as now,
    since more prints of the same spools do not average out what spools differ by.

    Returns
    -------
    Needed or None
        None without a margin.
    """
    if comparison.margin is None:
        return None
    what, each = comparison.nested or "print", comparison.prints_per_group
    sd = comparison.sd
    if comparison.nested:
        sd = math.hypot(comparison.group_sds[what], sd / math.sqrt(each))
    alpha = ALPHA / max(len(comparison.pairs), 1)
    number = prints_needed(sd, comparison.margin, alpha=alpha, groups=len(comparison.levels))
    return Needed(number, what, each)


def compare_results(
    study: CompareStudy, parameters: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Give the contents of the comparison's ``results.json``.

    Parameters
    ----------
    study : CompareStudy
        The finished comparison.
    parameters : mapping, optional
        The notebook's options other than the study folder.

    Returns
    -------
    dict
        Plain JSON values.
    """
    comparisons: dict[str, dict[str, Any]] = {}
    for (factor, response), found in study.comparisons.items():
        comparisons.setdefault(factor, {})[response] = _numbers(found)
    body = {
        "comparisons": comparisons,
    }
    return numbers_document(study.study, study.data.digests, body, parameters)


def _numbers(found: Comparison) -> dict[str, Any]:
    return {
        "margin": found.margin,
        "method": found.method,
        "against": found.against or None,
        "any_difference": {"F": found.F, "df": list(found.df), "p": found.p},
        "levels": found.levels.to_dict("records"),
        "pairs": [_pair_numbers(p) for p in found.pairs],
        "print_sd": found.sd,
        "group_sd": dict(found.group_sds),
        "needed": _needed_numbers(needed_prints(found)),
        "notes": list(found.notes),
    }


def _needed_numbers(needed: Needed | None) -> dict[str, Any] | None:
    if needed is None:
        return None
    return {"number": needed.number, "of": needed.what, "prints_each": needed.each}


def _pair_numbers(pair: Pair) -> dict[str, Any]:
    test = pair.equivalence
    return {
        "first": pair.first,
        "second": pair.second,
        "difference": pair.estimate,
        "std_error": pair.std_error,
        "df": pair.df,
        "low": pair.low,
        "high": pair.high,
        "low_all": pair.low_all,
        "high_all": pair.high_all,
        "p_all": pair.p,
        "equivalence": None
        if test is None
        else {"p": test.p, "p_all": pair.p_equivalence, "low": test.low, "high": test.high},
        "verdict": pair.verdict,
    }
