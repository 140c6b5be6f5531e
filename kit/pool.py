"""Several studies of one material on several printers: one answer, and the chance on a printer nobody has tried.

Each study is condensed to its cross-products in a coding that all share; only these are put together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from kit.errors import ModelError
from kit.model.pool import CrossProducts, PooledFit, fit_pool
from kit.model.pool_draws import draw_pool
from kit.model.pool_together import FEWEST_DF, JointProducts, print_correlation
from kit.model.scale_words import judged_as_measured
from kit.pool_frame import StudySummary
from kit.pool_settings import shared_settings
from kit.saying import listed
from kit.study.description import Response, Study
from kit.terms import FloatArray, expand_terms, model_matrix
from kit.window.choice import TIE, most_central
from kit.window.pooled_chance import (
    Foretold,
    Limits,
    Possible,
    foretell,
    joint_chance,
    possible_chances,
)
from kit.window.probability import limits_of
from kit.window.result import Choice, Prediction, Setting, Window
from kit.window.settable import PrintableGrid

SLOPES_FROM = 6
"""Printers from which on slopes, too, may differ between printers; fewer could not tell."""


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
    possible : Possible
        How well that chance is known, and how it differs between new printers.
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
    window : Window
        The chance on a new printer at all settings looked at, as charts read it.
    joint : bool
        Whether the requirements' chances were joined as prints show them to go together, and not multiplied.
    df : mapping of response name to float
        Degrees of freedom of the predictions.
    notes : tuple of str
    """

    study: Study
    printers: tuple[str, ...]
    prints: Mapping[str, int]
    fits: Mapping[str, PooledFit]
    settings: Mapping[str, Setting]
    probability: float
    possible: Possible
    alone: Mapping[str, float]
    predictions: Mapping[str, Prediction]
    between: Mapping[str, float]
    within: Mapping[str, float]
    shifts: Mapping[str, FloatArray]
    share: float
    window: Window
    joint: bool
    df: Mapping[str, float]
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
    if passing := [r.title for r in frame.responses if r.passes_or_fails]:
        raise ModelError(f"what passes or fails cannot be pooled: {listed(passing)}.")
    if not any(r.has_limits for r in frame.responses):
        raise ModelError("no response states a requirement; give lower or upper in study.toml.")
    random = _random(frame, len(printers))
    parts = {r.name: _by_printer(summaries, printers, r.name) for r in frame.responses}
    fits = {name: fit_pool(part, random) for name, part in parts.items()}
    extra = {name: _extra(name, summaries) for name in fits}
    limits = {r.name: _ends(r) for r in frame.responses if r.has_limits}
    correlation, joint = _correlation(summaries, printers, random, len(limits))
    grid = shared_settings(summaries, frame)
    everywhere = _foretold(grid.coded, fits, extra, frame)
    chance = joint_chance(everywhere, limits, correlation)
    best = chance >= chance.max() - TIE
    reached = chance >= frame.window.confidence
    row = most_central(grid, best, reached if reached.any() else best)
    # A generator for each response, so that none depends on how many there are.
    draws = {
        name: draw_pool(part, random, np.random.default_rng([frame.seed, i]))
        for i, (name, part) in enumerate(parts.items())
    }
    possible = possible_chances(
        _row(grid.coded[row], frame), draws, limits, {n: v for n, (v, _) in extra.items()}, correlation,
        frame.window.confidence, np.random.default_rng([frame.seed, len(parts)]),
    )  # fmt: skip
    return _answer(
        _Found(row, grid, chance, everywhere, limits, possible, joint),
        fits,
        extra,
        summaries,
        frame,
    )


@dataclass(frozen=True)
class _Found:
    """The setting chosen and all that was looked at."""

    row: int
    grid: PrintableGrid
    chance: FloatArray
    foretold: Mapping[str, Foretold]
    limits: Mapping[str, Limits]
    possible: Possible
    joint: bool


def _ends(response: Response) -> Limits:
    (low,), (high,) = limits_of([response])
    return float(low), float(high)


def _row(coded: FloatArray, frame: Study) -> FloatArray:
    terms = expand_terms(frame.coding, frame.model.terms)
    return np.asarray(model_matrix(frame.coding, terms, coded[None, :])[0])


def _correlation(
    summaries: Sequence[StudySummary], printers: Sequence[str], random: Sequence[int], limited: int
) -> tuple[FloatArray, bool]:
    """Give how the responses go together between prints of one printer, where every study can tell."""
    known = [s.together for s in summaries]
    if limited < 2 or any(k is None for k in known):
        return np.eye(limited), False
    sums: dict[str, JointProducts] = {}
    for s in summaries:
        assert s.together is not None
        sums[s.printer] = sums[s.printer] + s.together if s.printer in sums else s.together
    correlation, df = print_correlation([sums[p] for p in printers], random)
    return correlation, df >= FEWEST_DF


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


def _foretold(
    coded: FloatArray,
    fits: Mapping[str, PooledFit],
    extra: Mapping[str, tuple[float, float]],
    frame: Study,
) -> dict[str, Foretold]:
    rows = model_matrix(frame.coding, expand_terms(frame.coding, frame.model.terms), coded)
    return {name: foretell(fit, rows, extra[name]) for name, fit in fits.items()}


def _extra(name: str, summaries: Sequence[StudySummary]) -> tuple[float, float]:
    """Pool the variance between specimens of a print over the studies that know it."""
    known = [s.specimen[name] for s in summaries if s.specimen[name][1] > 0]
    df = sum(d for _, d in known)
    return (sum(v * d for v, d in known) / df, df) if df else (0.0, np.inf)


def _answer(
    found: _Found,
    fits: Mapping[str, PooledFit],
    extra: Mapping[str, tuple[float, float]],
    summaries: Sequence[StudySummary],
    frame: Study,
) -> PooledAnswer:
    row, x = found.row, _row(found.grid.coded[found.row], frame)
    z = {name: x[list(fit.random)] for name, fit in fits.items()}
    prints: dict[str, int] = {}
    for s in summaries:
        prints[s.printer] = prints.get(s.printer, 0) + s.prints
    chances = {
        n: f.below(found.limits[n][1]) - f.below(found.limits[n][0])
        for n, f in found.foretold.items()
        if n in found.limits
    }
    choice = Choice(
        settings=found.grid.setting(found.grid.index[row]),
        probability=float(found.chance[row]),
        low=found.possible.low,
        high=found.possible.high,
        predictions={n: _prediction(f, row) for n, f in found.foretold.items()},
        alone={n: float(c[row]) for n, c in chances.items()},
    )
    window = _window(found, choice, chances, frame)
    return PooledAnswer(
        study=frame,
        printers=tuple(prints),
        prints=prints,
        fits=fits,
        settings=choice.settings,
        probability=choice.probability,
        possible=found.possible,
        alone=choice.alone,
        predictions=choice.predictions,
        between={n: float(np.sqrt(z[n] ** 2 @ f.components[:-1])) for n, f in fits.items()},
        within={n: float(np.sqrt(f.components[-1] + extra[n][0])) for n, f in fits.items()},
        shifts={n: f.effects @ z[n] for n, f in fits.items()},
        share=window.share,
        window=window,
        joint=found.joint,
        df={n: float(f.df[row]) for n, f in found.foretold.items()},
        notes=_notes(len(prints), len(chances), found.joint, frame),
    )


def _prediction(foretold: Foretold, row: int) -> Prediction:
    mean, reach = foretold.mean[row], stdtrit(foretold.df[row], 0.975) * foretold.scale[row]
    return Prediction(float(mean), float(mean - reach), float(mean + reach))


def _window(
    found: _Found, choice: Choice, chances: Mapping[str, FloatArray], frame: Study
) -> Window:
    """Give what was found in the shape that charts read."""
    reached = choice.probability >= frame.window.confidence
    columns: dict[str, object] = {**found.grid.columns(), "probability": found.chance}
    for name, foretold in found.foretold.items():
        columns[f"chance_{name}"] = chances.get(name, np.full(len(found.chance), np.nan))
        columns[f"mean_{name}"] = foretold.mean
    return Window(
        confidence=frame.window.confidence,
        recommended=choice if reached else None,
        best_compromise=None if reached else choice,
        share=float((found.chance >= frame.window.confidence).mean()),
        ranges={},
        grid=pd.DataFrame(columns),
        steps=dict(zip(frame.coding.names, found.grid.axes, strict=True)),
        joint=found.joint,
    )


def _notes(printers: int, limited: int, joint: bool, frame: Study) -> tuple[str, ...]:
    notes = [
        f"{printers} printers stand for all the others: the new one is taken to be one more of their kind.",
        "Only settings that at least three of the studies tried are recommended.",
    ]
    if printers < SLOPES_FROM:
        notes.append(
            f"With {printers} printers only their level may differ; from {SLOPES_FROM} on, how strongly they answer to each "
            "setting may, too."
        )
    if joint:
        notes.append(
            "How responses go together from print to print of one printer is counted; from printer to printer they are taken as "
            "independent, since so few printers cannot tell."
        )
    elif limited > 1:
        notes.append(
            "The chances of the requirements are multiplied: the studies hold too few prints with all responses to tell how they "
            "miss together."
        )
    notes += judged_as_measured(frame.responses)
    uneven = [r.title for r in frame.responses if r.spread]
    if uneven:
        notes.append(
            f"One scatter is taken for all settings, though that of {listed(uneven)} may change with them."
        )
    if frame.model.selection != "none":
        notes.append("All terms of the model are kept, though the studies select among them.")
    if frame.model.blocks != "none":
        notes.append(
            "Plates or days within a study are evened out; the chance speaks of an average one."
        )
    return tuple(notes)
