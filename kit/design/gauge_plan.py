"""In which order to read the parts of a gauge study, so that nobody remembers an earlier reading."""

from __future__ import annotations

from collections.abc import Sequence
from string import ascii_uppercase

import numpy as np
import pandas as pd

from kit.errors import DesignError
from kit.study.description import Study
from kit.study.quantities import RECIPE_INPUTS, VALUE, ReadQuantity, quantity_names

PARTS, OPERATORS, REPEATS = 10, 2, 3
"""Usual size of a gauge study (common practice, no source)."""
MOST = 2000
PLAN_COLUMNS = (
    "order",
    "operator",
    "part",
    "repeat",
    "quantity",
    "value",
    "unit",
    "instrument",
    "excluded",
    "note",
)


def is_destructive(study: Study, read: ReadQuantity) -> bool:
    """Whether reading a quantity uses up the piece: strength, or the force that breaks it."""
    recipe = study.response_named(read.response).recipe
    return recipe in RECIPE_INPUTS and read.part in (VALUE, "force")


def gauge_quantity(study: Study, name: str = "") -> ReadQuantity:
    """Find what a gauge study is to read.

    Parameters
    ----------
    study : Study
        The description.
    name : str, default ""
        A response, or an input of a recipe such as ``width``; empty = the first response.

    Returns
    -------
    ReadQuantity

    Raises
    ------
    DesignError
        If there is no such quantity.
    """
    known = quantity_names(study)
    name = name or study.responses[0].name
    if name not in known:
        raise DesignError(f"{name!r} is nothing this study reads; there are {', '.join(known)}.")
    return known[name]


def plan_gauge(
    read: ReadQuantity,
    rng: np.random.Generator,
    *,
    parts: int = PARTS,
    operators: Sequence[str] = (),
    repeats: int = REPEATS,
    nested: bool = False,
) -> pd.DataFrame:
    """Lay out a gauge study and shuffle it.

    Every operator reads every part once, in an order of their own, before anybody reads a part again; so between two readings
    of a part lie all the others, and nobody can remember.

    Parameters
    ----------
    read : ReadQuantity
        What is read.
    rng : Generator
        Source of all chance.
    parts, repeats : int
        Parts (>= 2) and readings of each part by each operator (>= 2). For a strength the parts are prints, and each reading
        breaks a piece of its own.
    operators : sequence of str
        Their names; empty = two, called A and B.
    nested : bool, default False
        Every operator gets parts of their own (``parts`` each), where a print has too few pieces for all.

    Returns
    -------
    DataFrame
        One row a reading, in reading order, `PLAN_COLUMNS`; ``value`` empty.

    Raises
    ------
    DesignError
        If the study would be too small to tell anything, or larger than anybody reads.
    """
    names = list(operators) or list(ascii_uppercase[:OPERATORS])
    if len(set(names)) < len(names) or not all(names):
        raise DesignError("every operator needs a name of their own.")
    if parts < 2 or repeats < 2:
        raise DesignError(
            f"{parts} parts read {repeats} times: take at least 2 parts and 2 readings of each; 10 and 3 are usual."
        )
    if parts * len(names) * repeats > MOST:
        raise DesignError(
            f"{parts * len(names) * repeats} readings are more than anybody takes; at most {MOST}."
        )
    width = len(str(parts * (len(names) if nested else 1)))
    rows = []
    for repeat in range(1, repeats + 1):
        for who in rng.permutation(len(names)):
            first = int(who) * parts if nested else 0
            rows += [
                (names[who], f"P{first + int(p) + 1:0{width}d}", repeat)
                for p in rng.permutation(parts)
            ]
    frame = pd.DataFrame(rows, columns=["operator", "part", "repeat"])
    frame.insert(0, "order", np.arange(1, len(frame) + 1))
    frame["quantity"], frame["value"], frame["unit"] = read.name, "", read.unit
    frame[["instrument", "excluded", "note"]] = ""
    return frame[list(PLAN_COLUMNS)]
