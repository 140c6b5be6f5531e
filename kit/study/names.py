"""What factors and responses may be called: their names become columns, keys and parts of term names."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from kit.study.description import Study
from kit.study.lines import KeyPath
from kit.study.quantities import ambiguous_names, inputs_of, quantity_names
from kit.terms import FACTOR_NAME

RUN_COLUMNS = ("run", "round", "block", "print_order", "status", "note")
READING_COLUMNS = (
    "run",
    "specimen",
    "quantity",
    "value",
    "unit",
    "repeat",
    "operator",
    "instrument",
    "excluded",
    "note",
)
RESULT_COLUMNS = (
    "fitted",
    "residual",
    "leverage",
    "studentised",
    "left_out",
    "probability",
    "desirability",
    "readings",
    "specimens",
    "flags",
    "row",
    "response",
    "part",
)
RESERVED = frozenset({*RUN_COLUMNS, *READING_COLUMNS, *RESULT_COLUMNS, "intercept"})
RESERVED_STARTS = ("chance_", "mean_", "u_")
ACTUAL = "_actual"
"""End of the column that says what was really set."""

LONGEST_NAME = 40


def name_findings(section: str, names: Sequence[str]) -> Iterator[tuple[KeyPath, str]]:
    """Find names that cannot be used, and names used twice.

    Parameters
    ----------
    section : {"factor", "response"}
        Where the names stand.
    names : sequence of str
        In the order of the file; an empty one was reported already.

    Yields
    ------
    tuple of KeyPath and str
        Where, and what to do.
    """
    seen: dict[str, int] = {}
    for i, name in enumerate(names):
        path: KeyPath = (section, i, "name")
        fault = _fault(section, name)
        plain = name.strip().casefold()
        if fault:
            yield path, fault
        elif plain in seen:
            yield (
                path,
                f"{name!r} is the name of {section} {seen[plain] + 1} already; names must differ in more than capitals.",
            )
        if plain:
            seen.setdefault(plain, i)


def _fault(section: str, name: str) -> str | None:
    if not name.strip():
        return f"the name is empty; call the {section} by a word, such as nozzle."
    if not FACTOR_NAME.fullmatch(name) or not name.isascii():
        cleaned = re.sub(r"[^A-Za-z0-9]+", "_", name).strip("_").lstrip("0123456789_")
        offer = f" Write {cleaned!r}." if FACTOR_NAME.fullmatch(cleaned) else ""
        return f"name {name!r} may hold letters a-z, digits and _ only, with a letter first.{offer}"
    if len(name) > LONGEST_NAME:
        return f"the name is {len(name)} characters long; at most {LONGEST_NAME}. A long name can go in label."
    if name.casefold() in RESERVED:
        return f"{name!r} is a column of the tables; choose another name, such as {name}_{'set' if section == 'factor' else 'result'}."
    if name.casefold().startswith(RESERVED_STARTS):
        return f"names that start with {', '.join(RESERVED_STARTS)} are the kit's own columns; choose another."
    if section == "factor" and name.casefold().endswith(ACTUAL):
        return f"a name that ends in {ACTUAL} is the column of what was really set; choose another."
    return None


def group_fault(name: str) -> str | None:
    """Say why a column of groups cannot be called so; None when it can."""
    return _fault("factor", name)


def clash_findings(study: Study) -> Iterator[tuple[KeyPath, str]]:
    """Find names of responses that are also a factor, or a quantity of another response.

    Parameters
    ----------
    study : Study
        A draft.

    Yields
    ------
    tuple of KeyPath and str
        Where, and what to do.
    """
    factors = {f.name.casefold() for f in study.factors if f.name}
    for i, response in enumerate(study.responses):
        path: KeyPath = ("response", i, "name")
        if response.name and response.name.casefold() in factors:
            yield path, f"{response.name!r} is a factor already; give the response another name."
        others = study.model_copy(
            update={"response": tuple(r for r in study.responses if r is not response)}
        )
        taken = {n: q.response for n, q in quantity_names(others).items() if n != q.response}
        taken |= {n: longs[0].removesuffix(f"_{n}") for n, longs in ambiguous_names(others).items()}
        own = inputs_of(response)
        if response.name in taken:
            yield (
                path,
                f"{response.name!r} is what readings.csv calls a reading of {taken[response.name]!r}; choose another name.",
            )
        elif response.name in own:
            yield (
                path,
                f"{response.name!r} is an input of {response.recipe}; choose another name, such as strength.",
            )
