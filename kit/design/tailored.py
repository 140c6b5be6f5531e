"""Plans made to measure: optimal runs for a study's model, its settable steps, limits and printer.

This is where a `Study` becomes a `Region` and terms in numbers; the searches are in `kit.design.exchange`
and `kit.design.split_plot_exchange`, the bound in `kit.design.continuous`.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import pandas as pd

from kit.design.basis import term_numbers
from kit.design.continuous import ContinuousDesign, continuous_design
from kit.design.exchange import exchange
from kit.design.factorial import CENTRE, CodedRuns
from kit.design.region import BoolArray, IntArray, Region
from kit.design.split_plot_exchange import plot_labels, split_plot_exchange
from kit.errors import DesignError
from kit.printer import assess_prints
from kit.study.description import Factor, Study
from kit.study.limits import parse_limits
from kit.terms import FloatArray, Term, expand_terms

CHOSEN = "chosen run"
LEVELS_WITHOUT_STEP = 21
"""Levels offered of a factor whose step is not stated."""
MOST_LEVELS = 201
"""A finer step is thinned to so many levels, ends included; nobody sees the difference."""
SPARE_SHARE, FEWEST_SPARE = 0.3, 4
"""Runs beyond the number of terms where the study does not say; common practice, no source."""
PHYSICAL = ("nozzle_temperature", "bed_temperature", "speed", "fan_duty", "layer_height", "flow")
SEED_STEP = 11
"""Added to the study's seed, so that the search's chance is not that of the print order."""


def study_terms(study: Study) -> tuple[Term, ...]:
    """Give the model that a plan of the study must serve."""
    return expand_terms(study.coding, study.planned_terms)


def study_region(study: Study) -> Region:
    """Give the settable points of a study, cut by its limits and, where asked for, by what the printer can do.

    Parameters
    ----------
    study : Study
        Steps, ``limits`` and ``feasible``.

    Returns
    -------
    Region

    Raises
    ------
    DesignError
        If a factor has one settable value only.
    """
    coding = study.coding
    parsed = [limit.coded(coding) for limit in parse_limits(study.design.limits, coding)]
    limits = (
        (np.array([row for row, _ in parsed]), np.array([bound for _, bound in parsed]))
        if parsed
        else None
    )
    return Region(
        [len(f.levels) if f.is_category else settable_levels(f) for f in study.factors],
        limits=limits,
        allowed=_possible(study) if study.design.feasible else None,
        names=coding.names,
    )


def settable_levels(factor: Factor) -> FloatArray:
    """Give the coded levels of a factor on a scale: low plus whole steps, up to high.

    Parameters
    ----------
    factor : Factor
        On a scale; without a step it is offered in 21 levels.

    Returns
    -------
    array, shape (levels,)

    Examples
    --------
    >>> settable_levels(Factor(name="nozzle", low=190, high=230, step=10)).tolist()
    [-1.0, -0.5, 0.0, 0.5, 1.0]
    """
    coded = factor.coded
    if factor.step is None:
        return np.linspace(-1.0, 1.0, LEVELS_WITHOUT_STEP)
    count = int(np.floor((coded.high - coded.low) / factor.step + 1e-9)) + 1
    index: IntArray = np.arange(count, dtype=np.intp)
    if count > MOST_LEVELS:
        index = np.unique(np.linspace(0, count - 1, MOST_LEVELS).round()).astype(np.intp)
    settings = np.asarray(coded.low + index * factor.step, dtype=float)
    return np.asarray(coded.code(settings).round(12))


def _possible(study: Study) -> Callable[[FloatArray], BoolArray]:
    """Give a function that tells which coded runs the printer can do.

    Runs off the settable levels are judged at the nearest level of a fine grid that holds those as well;
    every combination is judged once.

    Returns
    -------
    callable
        Takes coded runs, shape (n, n_factors), gives booleans, shape (n,).
    """
    coding = study.coding
    physical = [j for j, f in enumerate(study.factors) if f.kind in PHYSICAL]
    grids = [
        np.union1d(settable_levels(study.factors[j]), np.linspace(-1, 1, LEVELS_WITHOUT_STEP))
        for j in physical
    ]
    known: dict[tuple[int, ...], bool] = {}

    def allowed(coded: FloatArray) -> BoolArray:
        index = [_nearest(g, coded[:, j]) for g, j in zip(grids, physical, strict=True)]
        if not index:
            return np.ones(len(coded), dtype=bool)
        keys = np.column_stack(index)
        cells, first, inverse = np.unique(keys, axis=0, return_index=True, return_inverse=True)
        new = [i for i, cell in enumerate(cells.tolist()) if tuple(cell) not in known]
        if new:
            runs = coded[first[new]].copy()
            for g, j, column in zip(grids, physical, cells[new].T, strict=True):
                runs[:, j] = g[column]
            verdicts = assess_prints(study, pd.DataFrame(coding.decode(runs))).possible
            known.update(zip(map(tuple, cells[new].tolist()), verdicts.tolist(), strict=True))
        answers = np.array([known[tuple(cell)] for cell in cells.tolist()], dtype=bool)
        return answers[inverse.reshape(-1)]

    return allowed


def _nearest(grid: FloatArray, values: FloatArray) -> IntArray:
    """Give the numbers of the nearest grid values."""
    return np.asarray(np.searchsorted((grid[1:] + grid[:-1]) / 2, values), dtype=np.intp)


def number_of_runs(study: Study) -> int:
    """Give the number of runs of a made-to-measure plan: as stated, or the terms and some to spare.

    Returns
    -------
    int
    """
    if study.design.runs is not None:
        return study.design.runs
    terms = len(study_terms(study)) + study.design.blocks - 1
    return terms + max(FEWEST_SPARE, int(np.ceil(SPARE_SHARE * terms)))


def optimal(study: Study) -> CodedRuns:
    """Choose the runs that serve the study's model best.

    Parameters
    ----------
    study : Study
        Its model, steps, limits, ``criterion``, ``runs``, ``blocks``, ``centre_points`` and seed.

    Returns
    -------
    CodedRuns

    Raises
    ------
    DesignError
        If no such plan can exist; the text says the way out.
    """
    hard = [j for j, f in enumerate(study.factors) if f.hard_to_change]
    _refuse_replicates(study)
    if hard:
        return split_plot(study)
    n, blocks = number_of_runs(study), study.design.blocks
    labels = np.arange(n) * blocks // n
    centre = _centre(study)
    if len(centre) > n:
        raise DesignError(
            f"{len(centre)} centre points do not fit into {n} runs; ask for more runs."
        )
    rng = np.random.default_rng([study.seed, SEED_STEP])
    spread = rng.permutation(n)[: len(centre)] if blocks > 1 else np.arange(len(centre))
    order = np.concatenate([spread, np.setdiff1d(np.arange(n), spread)])
    found = exchange(
        term_numbers(study.coding, study_terms(study)),
        study_region(study),
        n,
        study.design.criterion,
        rng=rng,
        fixed_runs=centre,
        blocks=labels[order].tolist() if blocks > 1 else None,
    )
    kind = (CENTRE,) * len(centre) + (CHOSEN,) * (n - len(centre))
    return CodedRuns(found.runs, labels[order].astype(np.intp) + 1, kind, _aim(study, n))


def split_plot(study: Study) -> CodedRuns:
    """Choose runs in whole plots: stretches in which the hard-to-change factors stay as they are.

    Parameters
    ----------
    study : Study
        As for `optimal`; ``changes`` is the number of stretches.

    Returns
    -------
    CodedRuns
        One block a stretch.

    Raises
    ------
    DesignError
        If there are too few stretches or runs, or options contradict; the text says the way out.
    """
    _refuse_replicates(study)
    coding, design = study.coding, study.design
    hard = [j for j, f in enumerate(study.factors) if f.hard_to_change]
    if design.blocks > 1:
        raise DesignError(
            f"blocks = {design.blocks}: the stretches at one setting of the hard-to-change factors are the blocks; "
            "leave blocks out (changes sets their number)."
        )
    if design.centre_points:
        raise DesignError(
            "centre_points: a split-plot plan chooses its own runs; leave centre_points out and ask for more runs."
        )
    terms, n = study_terms(study), number_of_runs(study)
    plots = design.changes or _default_changes(study, terms, n)
    labels = plot_labels(n, plots)
    found = split_plot_exchange(
        term_numbers(coding, terms),
        study_region(study),
        labels,
        hard,
        design.criterion,
        rng=np.random.default_rng([study.seed, SEED_STEP]),
    )
    names = " and ".join(coding.names[j] for j in hard)
    note = (
        f"{plots} stretches of runs share a setting of {names}; set it anew for each stretch, even when the "
        "value stays the same. Chosen as if prints of different stretches scattered twice as much (in variance) as "
        "those of one."
    )
    return CodedRuns(
        found.runs, (labels + 1).astype(np.intp), (CHOSEN,) * n, (*_aim(study, n), note)
    )


def _default_changes(study: Study, terms: tuple[Term, ...], n: int) -> int:
    """Give as many stretches as the hard factors' terms need and two to judge them by."""
    hard = {f.name for f in study.factors if f.hard_to_change}
    alone = sum(set(t.factors) <= hard for t in terms)
    return min(max(alone + 2, n // 4), n)


def _refuse_replicates(study: Study) -> None:
    if study.design.replicates > 1:
        raise DesignError(
            f"replicates = {study.design.replicates}: an optimal plan repeats what is worth repeating by itself; "
            "leave replicates out and ask for more runs."
        )


def _centre(study: Study) -> FloatArray:
    """Give the stated centre points, in coded units on the settable grid."""
    number = study.design.centre_points or 0
    coding = study.coding
    if not number:
        return np.empty((0, len(coding.factors)))
    if coding.categories:
        raise DesignError(
            "centre_points: with categories an optimal plan has no single middle; leave them out."
        )
    middle = [v[np.argmin(np.abs(v))] for v in map(settable_levels, study.factors)]
    return np.tile(middle, (number, 1))


def _aim(study: Study, n: int) -> tuple[str, ...]:
    aim = {
        "I": "the foretold values are as sure as can be, on average over the settings allowed",
        "D": "the effects are as sure as can be, all together",
    }[study.design.criterion]
    stated = (
        ""
        if study.design.runs is not None
        else " The number was chosen here; runs = ... changes it."
    )
    return (f"{n} runs chosen so that {aim} (criterion {study.design.criterion}).{stated}",)


@lru_cache(maxsize=8)
def _bound(study_json: str, criterion: str) -> ContinuousDesign:
    study = Study.model_validate_json(study_json)
    return continuous_design(
        term_numbers(study.coding, study_terms(study)),
        study_region(study),
        criterion,
        tolerance=1e-4,
    )


def bound(study: Study, criterion: str) -> ContinuousDesign:
    """Give the best continuous design of a study's model over its region.

    Parameters
    ----------
    study : Study
        Its model, steps, limits and printer.
    criterion : {"D", "I"}
        What is made best.

    Returns
    -------
    ContinuousDesign
        With the gap of the equivalence theorem that proves it.

    Raises
    ------
    DesignError
        If nothing is allowed or the terms cannot be told apart there.
    """
    # The same study is asked for several plans and both criteria; its JSON is what it depends on.
    return _bound(study.model_dump_json(by_alias=True), criterion)
