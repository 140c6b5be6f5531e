"""``truth.toml``: what a virtual printer is to do, for rehearsing a plan. Read and checked, never evaluated."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from kit.errors import Problem, StudyError
from kit.study.description import Study
from kit.study.folder import read_bytes
from kit.study.nearest import suggestion
from kit.terms import expand_terms

TRUTH_FILE = "truth.toml"
SCATTER = ("print_sd", "specimen_sd", "reading_sd", "block_sd")
NUMBERS = (*SCATTER, "drift", "height", "decimals")
TABLES = ("coefficients", "group_sd")
HEAD = ("offset", "fails_at_melt_limit", "fail_chance")


def read_truth(folder: Path, study: Study) -> dict[str, Any] | None:
    """Read the truth to rehearse with.

    Parameters
    ----------
    folder : Path
        A study folder.
    study : Study
        Its description: the truth must speak of its responses and factors.

    Returns
    -------
    dict or None
        What `kit.rehearse.virtual_printer` takes; None where there is no such file.

    Raises
    ------
    StudyError
        With everything in it that makes no sense.
    """
    data, problem = read_bytes(folder, TRUTH_FILE)
    if problem is not None:
        raise StudyError([problem])
    if data is None:
        return None
    try:
        described = tomllib.loads(data.decode("utf-8"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise StudyError([Problem(TRUTH_FILE, 0, "", f"cannot be read: {error}.")]) from None
    problems = [Problem(TRUTH_FILE, 0, where, text) for where, text in _faults(described, study)]
    if problems:
        raise StudyError(problems)
    return described


def _faults(described: Mapping[str, Any], study: Study) -> Iterator[tuple[str, str]]:
    truths = described.get("truth")
    if not isinstance(truths, Mapping) or not all(isinstance(t, Mapping) for t in truths.values()):
        yield (
            "truth",
            "write a section [truth.NAME] for each response, with coefficients and print_sd.",
        )
        return
    names = [r.name for r in study.responses]
    for name in truths:
        if name not in names:
            yield f"truth.{name}", f"no such response; {suggestion(name, names, kind='responses')}"
    for name in names:
        if name not in truths:
            yield f"truth.{name}", "is missing: every response of the study needs its truth."
        else:
            for key, text in _truth_faults(truths[name], study):
                yield f"truth.{name}.{key}", text
    for key in HEAD:  # further tables, such as a gauge's truth, are other readers' matter
        if not isinstance(described.get(key, 0), int | float):
            yield key, f"found {described[key]!r}; a number, or true or false."


def _truth_faults(truth: Mapping[str, Any], study: Study) -> Iterator[tuple[str, str]]:
    for key, value in truth.items():
        if key in TABLES:
            continue
        if key not in NUMBERS:
            yield key, suggestion(key, (*TABLES, *NUMBERS), kind="keys here")
        elif isinstance(value, bool) or not isinstance(value, int | float):
            yield key, f"found {value!r}; a number in the unit of the response."
        elif key in SCATTER and value < 0:
            yield key, f"found {value}; a standard deviation is 0 or more."
    coefficients = truth.get("coefficients")
    if not isinstance(coefficients, Mapping):
        yield (
            "coefficients",
            'write coefficients = { intercept = ..., nozzle = ..., "nozzle:speed" = ... } in coded units.',
        )
        return
    for term, value in coefficients.items():
        if isinstance(value, bool) or not isinstance(value, int | float):
            yield f"coefficients.{term}", f"found {value!r}; a number in the unit of the response."
        try:
            known = expand_terms(study.coding, [term])
        except ValueError as error:
            yield f"coefficients.{term}", str(error)
            continue
        if term != "intercept" and [t.name for t in known[1:]] != [term]:
            yield f"coefficients.{term}", f"write {' and '.join(t.name for t in known[1:])}."
