"""In which order to print and to measure: random, but not carelessly so.

Restricted randomisation: blocks stay together (plates, days, stretches at one hard-to-change setting)
and are printed in random order; inside a block the centre points are spread evenly, since they tell
drift from effects, and all other runs take the remaining places at random.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from string import ascii_uppercase

import numpy as np
import pandas as pd

from kit.design.factorial import CENTRE
from kit.design.height_stacked import HEIGHT_STACKED
from kit.study.description import Response, Study
from kit.study.names import READING_COLUMNS
from kit.study.quantities import RECIPE_INPUTS, ReadQuantity, quantities_to_read

DEFAULT_REPEATS = {"dimension": 2, "gloss": 3, "score": 1, "pass_fail": 1, "direct": 1}
"""Repeat readings (spots, for gloss) a specimen; common practice, no source."""
BREAKING_ORDER = ("width", "thickness", "force")
"""Parts of a strength recipe: the section is measured first, then the specimen is broken; once each."""


def order_runs(
    runs: pd.DataFrame,
    rng: np.random.Generator,
    *,
    study: Study | None = None,
    centre: Sequence[bool] | None = None,
    first_run: int = 1,
) -> pd.DataFrame:
    """Put a plan into random print order and label its runs.

    Parameters
    ----------
    runs : DataFrame
        The plan, columns ``round`` and ``block`` at least. Rounds keep their order.
    rng : Generator
        Source of all chance; the same generator state gives the same order.
    study : Study, optional
        Where its hard-to-change factors differ inside a block, every setting of them becomes a block of its
        own. What `choose_design` makes has such blocks already.
    centre : sequence of bool, shape (n,), optional
        Which runs to spread evenly over their block; default: those whose note is "centre point".
    first_run : int, default 1
        Number of the first label and of the first print order, for a round that follows others.

    Returns
    -------
    DataFrame
        The same runs in print order: ``run`` is "01", "02", ... and ``print_order`` 1, 2, ...; blocks are
        renumbered in the order they are printed, from the smallest number the plan had.

    Notes
    -----
    Of c centre points in a block, the first is printed first, the last one last, the others evenly between;
    a single one stands in the middle.
    """
    runs = runs.copy()
    if study is not None:
        runs["block"] = _split_blocks(runs, [f.name for f in study.factors if f.hard_to_change])
    note = runs["note"] if "note" in runs else pd.Series("", index=runs.index)
    spread = pd.Series(note == CENTRE if centre is None else centre, index=runs.index, dtype=bool)
    # The levels of a stack lie on top of each other in the order that the plan chose.
    keep = study is not None and study.design.family == HEIGHT_STACKED
    places = [
        place
        for _, part in runs.groupby("round", sort=False)
        for place in _order_round(part["block"], spread, rng, keep=keep)
    ]
    ordered = runs.loc[places].reset_index(drop=True)
    numbers = range(first_run, first_run + len(ordered))
    width = max(2, len(str(first_run + len(ordered) - 1)))
    ordered["run"] = [f"{i:0{width}d}" for i in numbers]
    ordered["print_order"] = list(numbers)
    if len(ordered):
        seen = ordered["block"].drop_duplicates().tolist()
        first = int(min(seen))
        renumbered = {block: first + i for i, block in enumerate(seen)}
        ordered["block"] = ordered["block"].map(renumbered).astype(int)
    return ordered


def _split_blocks(runs: pd.DataFrame, hard: list[str]) -> pd.Series[int]:
    """Give new block numbers where a block mixes hard-to-change settings, else the old ones."""
    mixed = runs.groupby(["round", "block"], sort=False)[hard].nunique().gt(1) if hard else None
    numbers: pd.Series[int] = runs["block"]
    if mixed is not None and mixed.to_numpy().any():
        first = int(numbers.min())
        numbers = runs.groupby(["round", "block", *hard], sort=False).ngroup() + first
    return numbers


def _order_round(
    blocks: pd.Series[int], spread: pd.Series[bool], rng: np.random.Generator, *, keep: bool
) -> Iterator[int]:
    """Give the index labels of one round's runs in print order."""
    for block in rng.permutation(sorted(set(blocks))):
        members = blocks.index[blocks == block].to_numpy()
        if keep:
            yield from members.tolist()
            continue
        is_centre = spread[members].to_numpy(dtype=bool)
        yield from _order_block(members[is_centre], members[~is_centre], rng)


def _order_block(
    centres: Sequence[int], others: Sequence[int], rng: np.random.Generator
) -> list[int]:
    count, total = len(centres), len(centres) + len(others)
    order = np.zeros(total, dtype=np.intp)
    place = centre_places(count, total)
    order[place] = rng.permutation(centres)
    order[np.setdiff1d(np.arange(total), place)] = rng.permutation(others)
    return [int(i) for i in order]


def centre_places(count: int, total: int) -> list[int]:
    """Give the places of centre points among the runs of a block, from 0.

    Parameters
    ----------
    count, total : int
        Centre points and all runs of the block.

    Returns
    -------
    list of int

    Examples
    --------
    >>> centre_places(4, 18), centre_places(1, 9), centre_places(2, 2)
    ([0, 6, 11, 17], [4], [0, 1])
    """
    if count == 1:
        return [(total - 1) // 2]
    return [int(p) for p in np.linspace(0, total - 1, count).round()]


def readings_to_fill(study: Study, runs: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """List every reading to take, in random measuring order.

    Parameters
    ----------
    study : Study
        Responses and specimens a print.
    runs : DataFrame
        The plan; failed runs are left out.
    rng : Generator
        Source of all chance.

    Returns
    -------
    DataFrame
        Columns of ``readings.csv``, one row a run, specimen, quantity and repeat, ``value`` empty.

    Notes
    -----
    One response after the other, each in its own random order of specimens; repeats of a specimen follow each
    other. Responses that break the specimen come last; its section is measured just before.
    """
    runs = runs[runs["status"] != "failed"] if "status" in runs else runs
    pieces = [
        (str(run), specimen_label(i))
        for run in runs["run"]
        for i in range(study.specimen.specimens_per_print)
    ]
    rows: list[dict[str, object]] = []
    for response in sorted(study.responses, key=lambda r: r.recipe in RECIPE_INPUTS):
        wanted = _quantities(study, response)
        for i in rng.permutation(len(pieces)):
            run, specimen = pieces[int(i)]
            rows += [
                {
                    "run": run,
                    "specimen": specimen,
                    "quantity": q.name,
                    "unit": q.unit,
                    "repeat": repeat,
                }
                for q, repeats in wanted
                for repeat in range(1, repeats + 1)
            ]
    table = pd.DataFrame(rows, columns=list(READING_COLUMNS))
    table["value"] = np.nan
    empty = ["operator", "instrument", "excluded", "note"]
    table[empty] = ""
    return table


def _quantities(study: Study, response: Response) -> list[tuple[ReadQuantity, int]]:
    """Give everything read for a response, with its repeats."""
    own = [q for q in quantities_to_read(study) if q.response == response.name]
    if response.recipe not in RECIPE_INPUTS:
        return [(q, DEFAULT_REPEATS[response.recipe]) for q in own]
    return [(q, 1) for part in BREAKING_ORDER for q in own if q.part == part]


def specimen_label(i: int) -> str:
    """Label a print's specimens A, B, ... Z, AA, AB, ...

    Parameters
    ----------
    i : int
        From 0.

    Returns
    -------
    str

    Examples
    --------
    >>> specimen_label(0), specimen_label(25), specimen_label(26)
    ('A', 'Z', 'AA')
    """
    letters = ""
    i += 1
    while i:
        i, rest = divmod(i - 1, 26)
        letters = ascii_uppercase[rest] + letters
    return letters
