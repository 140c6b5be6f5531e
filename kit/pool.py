"""Several studies of one material on several printers: one answer, and the chance on a printer nobody has tried.

Each study is condensed to its cross-products in a coding that all share; only these are put together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product

import numpy as np
from scipy.special import stdtrit

from kit.errors import ModelError
from kit.model.pool import MIN_PRINTERS, CrossProducts, PooledFit, fit_pool
from kit.model.tried import TriedRegion
from kit.pool_frame import StudySummary
from kit.study.description import Factor, Study
from kit.terms import FloatArray, expand_terms, model_matrix
from kit.window.choice import TIE, BoolArray, most_central
from kit.window.probability import interval_chance, limits_of
from kit.window.result import Prediction, Setting
from kit.window.settable import PrintableGrid, printable_values

SLOPES_FROM = 6
"""Printers from which on slopes, too, may differ between printers; fewer could not tell."""
LARGEST = 40_000
"""Settings looked at."""


@dataclass(frozen=True)
class PooledAnswer:
    """What all printers say together.

    Attributes
    ----------
    study : Study
        The shared frame: factors over all ranges, the tightest requirements.
    printers : tuple of str
    prints : mapping of printer to int
    fits : mapping of response name to PooledFit
    settings : mapping of factor name to setting
        Where the chance on a new printer is highest.
    probability : float
        Chance that one new part on a new printer meets every requirement there.
    alone : mapping of response name to float
        Chance for each requirement.
    predictions : mapping of response name to Prediction
        One new part on a new printer.
    between, within : mapping of response name to float
        Standard deviation between printers and between parts of one printer, at these settings.
    shifts : mapping of response name to array, shape (printers,)
        How far each printer lies from the average one there (predicted, so drawn towards 0).
    share : float
        Share of the settings looked at that reach the confidence.
    notes : tuple of str
    """

    study: Study
    printers: tuple[str, ...]
    prints: Mapping[str, int]
    fits: Mapping[str, PooledFit]
    settings: Mapping[str, Setting]
    probability: float
    alone: Mapping[str, float]
    predictions: Mapping[str, Prediction]
    between: Mapping[str, float]
    within: Mapping[str, float]
    shifts: Mapping[str, FloatArray]
    share: float
    notes: tuple[str, ...] = field(default_factory=tuple)

    @property
    def reached(self) -> bool:
        """Whether the chance reaches the stated confidence."""
        return self.probability >= self.study.window.confidence


def pool(summaries: Sequence[StudySummary], frame: Study) -> PooledAnswer:
    """Put studies together and find the settings with the best chance on a new printer.

    Parameters
    ----------
    summaries : sequence of StudySummary
        From `summarise`, in any order.
    frame : Study
        As they were made with.

    Returns
    -------
    PooledAnswer

    Raises
    ------
    ModelError
        With fewer than three printers, no requirement, or no setting that several printers tried.
    """
    summaries = sorted(summaries, key=lambda s: (s.printer, s.name))
    printers = tuple(dict.fromkeys(s.printer for s in summaries))
    if not any(r.has_limits for r in frame.responses):
        raise ModelError("no response states a requirement; give lower or upper in study.toml.")
    fits = {
        r.name: fit_pool(_by_printer(summaries, printers, r.name), _random(frame, len(printers)))
        for r in frame.responses
    }
    grid = _grid(summaries, frame)
    chances = _chances(grid.coded, fits, summaries, frame)
    joint = np.prod([chances[n] for n in chances], axis=0)
    best = joint >= joint.max() - TIE
    reached = joint >= frame.window.confidence
    row = most_central(grid, best, reached if reached.any() else best)
    return _answer(row, grid, joint, chances, fits, summaries, frame)


def _by_printer(
    summaries: Sequence[StudySummary], printers: Sequence[str], name: str
) -> list[CrossProducts]:
    sums: dict[str, CrossProducts] = {}
    for s in summaries:
        sums[s.printer] = (
            sums[s.printer] + s.products[name] if s.printer in sums else s.products[name]
        )
    return [sums[p] for p in printers]


def _random(frame: Study, printers: int) -> list[int]:
    """Choose what may differ between printers: the level, and with printers enough each slope."""
    if printers < SLOPES_FROM:
        return [0]
    scales = {f.name for f in frame.factors if not f.is_category}
    terms = expand_terms(frame.coding, frame.model.terms)
    return [0, *(i for i, t in enumerate(terms) if t.name in scales)]


def _grid(summaries: Sequence[StudySummary], frame: Study) -> PrintableGrid:
    """Lay out printable settings inside what at least three studies tried."""
    coding = frame.coding
    axes = tuple(_axis(f, i, summaries, frame) for i, f in enumerate(frame.factors))
    kept = [np.arange(len(a)) for a in axes]
    while np.prod([len(k) for k in kept]) > LARGEST:
        longest = max(range(len(kept)), key=lambda i: len(kept[i]))
        kept[longest] = np.unique(
            np.linspace(0, len(axes[longest]) - 1, len(kept[longest]) - 1).round().astype(int)
        )
    index = np.array(list(product(*kept)), dtype=np.intp).reshape(-1, len(axes))
    regions = [TriedRegion(coding, s.tried) for s in summaries]

    def allowed(coded: FloatArray) -> BoolArray:
        return np.asarray(np.sum([r.contains(coded) for r in regions], axis=0) >= MIN_PRINTERS)

    grid = PrintableGrid(coding, axes, tuple(kept), index, allowed)
    grid = PrintableGrid(coding, axes, tuple(kept), index[allowed(grid.coded)], allowed)
    if not len(grid.index):
        raise ModelError(
            f"no printable setting lies within what {MIN_PRINTERS} studies tried; their ranges hardly meet."
        )
    return grid


def _axis(
    factor: Factor, column: int, summaries: Sequence[StudySummary], frame: Study
) -> tuple[Setting, ...]:
    tried = np.concatenate([s.tried[:, column] for s in summaries])
    if factor.is_category:
        return tuple(factor.levels[i] for i in np.unique(tried.astype(int)))
    low, high = np.asarray(factor.coded.decode(np.array([tried.min(), tried.max()])), dtype=float)
    return printable_values(factor, frame, float(low), float(high))


def _foretold(
    name: str,
    coded: FloatArray,
    fits: Mapping[str, PooledFit],
    summaries: Sequence[StudySummary],
    frame: Study,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    rows = model_matrix(frame.coding, expand_terms(frame.coding, frame.model.terms), coded)
    return fits[name].new_printer(rows, *_extra(name, summaries))


def _extra(name: str, summaries: Sequence[StudySummary]) -> tuple[float, float]:
    """Pool the variance between specimens of a print over the studies that know it."""
    known = [s.specimen[name] for s in summaries if s.specimen[name][1] > 0]
    df = sum(d for _, d in known)
    return (sum(v * d for v, d in known) / df, df) if df else (0.0, np.inf)


def _chances(
    coded: FloatArray,
    fits: Mapping[str, PooledFit],
    summaries: Sequence[StudySummary],
    frame: Study,
) -> dict[str, FloatArray]:
    chances = {}
    for response in frame.responses:
        if response.has_limits:
            mean, scale, df = _foretold(response.name, coded, fits, summaries, frame)
            (low,), (high,) = limits_of([response])
            chances[response.name] = interval_chance(
                (low - mean) / scale, (high - mean) / scale, df
            )
    return chances


def _answer(
    row: int,
    grid: PrintableGrid,
    joint: FloatArray,
    chances: Mapping[str, FloatArray],
    fits: Mapping[str, PooledFit],
    summaries: Sequence[StudySummary],
    frame: Study,
) -> PooledAnswer:
    at = grid.coded[row][None, :]
    x = model_matrix(frame.coding, expand_terms(frame.coding, frame.model.terms), at)[0]
    predictions, between, within, shifts = {}, {}, {}, {}
    for name, fit in fits.items():
        mean, scale, df = (float(v[0]) for v in _foretold(name, at, fits, summaries, frame))
        reach = float(stdtrit(df, 0.975)) * scale
        predictions[name] = Prediction(mean, mean - reach, mean + reach)
        z = x[list(fit.random)]
        between[name] = float(np.sqrt(z**2 @ fit.components[:-1]))
        within[name] = float(np.sqrt(fit.components[-1] + _extra(name, summaries)[0]))
        shifts[name] = fit.effects @ z
    prints: dict[str, int] = {}
    for s in summaries:
        prints[s.printer] = prints.get(s.printer, 0) + s.prints
    return PooledAnswer(
        study=frame,
        printers=tuple(prints),
        prints=prints,
        fits=fits,
        settings=grid.setting(grid.index[row]),
        probability=float(joint[row]),
        alone={n: float(c[row]) for n, c in chances.items()},
        predictions=predictions,
        between=between,
        within=within,
        shifts=shifts,
        share=float((joint >= frame.window.confidence).mean()),
        notes=_notes(len(prints), len(chances), frame),
    )


def _notes(printers: int, limited: int, frame: Study) -> tuple[str, ...]:
    notes = [
        f"{printers} printers stand for all the others: the new one is taken to be one more of their kind.",
        "Only settings that at least three of the studies tried are recommended.",
    ]
    if printers < SLOPES_FROM:
        notes.append(
            f"With {printers} printers only their level may differ; from {SLOPES_FROM} on, how strongly they answer to each "
            "setting may, too."
        )
    if limited > 1:
        notes.append(
            "The chances of the requirements are multiplied: how two of them miss together is not looked at here."
        )
    if frame.model.blocks != "none":
        notes.append(
            "Plates or days within a study are evened out; the chance speaks of an average one."
        )
    return tuple(notes)
