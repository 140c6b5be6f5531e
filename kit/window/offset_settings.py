"""Corrected settings for the new printer, the chance before and after its prints, and what more prints would bring."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.draws import GroupDraws
from kit.window.offset import OffsetPosterior
from kit.window.place_prints import place_prints
from kit.window.possible_printers import PossiblePrinters
from kit.window.printers import nozzle_place
from kit.window.result import Setting
from kit.window.settable import PrintableGrid, printable_grid

IntArray = npt.NDArray[np.intp]

LOOKED_AT = 4000
"""Printable settings of the search; each is asked of many possible printers."""
ROUGH, EXACT, SHORT = 300, 1000, 30
"""Printers for the first ranking and for the final one; settings that the final one looks at."""
AS_GOOD = 2e-3
"""Chances this close count as equal: draws tell no finer."""
SCENARIOS = 60
"""Outcomes of further prints that are played through."""


@dataclass(frozen=True)
class CorrectedSettings:
    """Settings for the new printer.

    Attributes
    ----------
    settings : mapping of factor name to setting
        Highest chance on this printer, as far as its prints tell.
    probability, low, high : float
        That chance, averaged over what is left open, and 95 % limits over it.
    donor_before, donor_after : float
        Chance at the donor's settings, before and after the prints.
    best_before : float
        Highest chance that any settings had before the prints.
    """

    settings: Mapping[str, Setting]
    probability: float
    low: float
    high: float
    donor_before: float
    donor_after: float
    best_before: float


@dataclass(frozen=True)
class MorePrints:
    """What further prints would bring.

    Attributes
    ----------
    settings : tuple of mapping
        Where to print them.
    sd_now, sd_then : float
        Doubt of the thermometer difference (SD, degC), now and expected then.
    probability_now, probability_then : float
        Chance at the best settings, now and expected then.
    """

    settings: tuple[Mapping[str, Setting], ...]
    sd_now: float
    sd_then: float
    probability_now: float
    probability_then: float


def correct_settings(
    before: OffsetPosterior, after: OffsetPosterior, donor_settings: Mapping[str, Setting]
) -> CorrectedSettings:
    """Choose the settings with the highest chance on the new printer.

    Parameters
    ----------
    before, after : OffsetPosterior
        Without and with the prints.
    donor_settings : mapping of factor name to setting
        What the donor recommends.

    Returns
    -------
    CorrectedSettings
    """
    printers = after.printers
    grid = _grid(printers)
    study = printers.study
    at = study.coding.code({n: [donor_settings[n]] for n in study.coding.names})
    row, chances = _best(printers, grid, _moved(at, study, -after.mean))
    _, earlier = _best(before.printers, grid, at)
    # A mean pulled down by a few bad printers can lie below the quantile; the limits hold it in.
    low, high = (float(v) for v in np.quantile(chances, [0.025, 0.975]))
    low, high = min(low, float(chances.mean())), max(high, float(chances.mean()))
    few = slice(0, EXACT)
    return CorrectedSettings(
        settings=grid.setting(grid.index[row]),
        probability=float(chances.mean()),
        low=low,
        high=high,
        donor_before=float(before.printers.take(few).chances(at).mean()),
        donor_after=float(printers.take(few).chances(at).mean()),
        best_before=float(earlier.mean()),
    )


def _grid(printers: PossiblePrinters) -> PrintableGrid:
    return printable_grid(printers.surfaces, printers.study, largest=LOOKED_AT)


def _moved(at: FloatArray, study: Study, degrees: float) -> FloatArray:
    """Give settings with another nozzle temperature."""
    place = nozzle_place(study)
    assert place is not None
    moved = at.copy()
    moved[:, place] += degrees / study.factors[place].coded.half_range
    return moved


def _best(
    printers: PossiblePrinters, grid: PrintableGrid, near: FloatArray
) -> tuple[int, FloatArray]:
    """Give the best row of the grid and its chance under each printer.

    Many settings are ranked by the product of the single chances over few printers; the best of them by the joint
    chance over many. Of settings as good as the best the nearest to ``near`` is taken.

    Returns
    -------
    int
        Row of the grid.
    array, shape (EXACT,)
        Chance there under each printer.
    """
    rough = _rough(printers.take(slice(0, ROUGH)), grid.coded)
    distance = np.linalg.norm(grid.coded - near, axis=1)
    tied = np.flatnonzero(rough >= rough.max() - AS_GOOD)
    first = tied[np.argsort(distance[tied], kind="stable")][: SHORT // 2]
    top = np.unique([*first, *np.argsort(-rough, kind="stable")[: SHORT // 2]])
    chances = printers.take(slice(0, EXACT)).chances(grid.coded[top])
    means = chances.mean(axis=0)
    equal = np.flatnonzero(means >= means.max() - AS_GOOD)
    best = int(equal[distance[top[equal]].argmin()])
    return int(top[best]), chances[:, best]


def _rough(printers: PossiblePrinters, coded: FloatArray, chunk: int = 500) -> FloatArray:
    parts = [
        printers.chances(coded[i : i + chunk], independent=True).mean(axis=0)
        for i in range(0, len(coded), chunk)
    ]
    return np.concatenate(parts)


def more_prints(
    after: OffsetPosterior,
    printed: FloatArray,
    rng: np.random.Generator,
    *,
    prints: int = 3,
) -> MorePrints:
    """Foretell what further prints would bring, before anybody prints them.

    Parameters
    ----------
    after : OffsetPosterior
        What is known now.
    printed : array, shape (n, n_factors)
        Coded settings printed so far.
    rng : Generator
        Source of the outcomes that are played through.
    prints : int
        How many more.

    Returns
    -------
    MorePrints

    Notes
    -----
    Outcomes are drawn from what is believed now; each weighs the possible printers anew, and the settings best then are
    taken. Where nothing would change the choice, the expected chance is the one of now.
    """
    printers = after.printers
    study, surfaces = printers.study, printers.surfaces
    settings, _ = place_prints(
        surfaces, study, prints, printed=printed, middle=after.mean, sd=after.sd
    )
    grid = _grid(printers)
    rough = _rough(printers.take(slice(0, ROUGH)), grid.coded)
    spread_out = np.argsort(-rough, kind="stable")[: SHORT * 10 : 10]
    chances = printers.chances(grid.coded[spread_out], independent=True)
    now = float(chances.mean(axis=0).max())
    at = study.coding.code({n: [s[n] for s in settings] for n in study.coding.names})
    log = _outcome_likelihoods(printers, at, rng)
    weights = np.exp(log - log.max(axis=1, keepdims=True))
    weights /= weights.sum(axis=1, keepdims=True)
    then = float((weights @ chances).max(axis=1).mean())
    offsets = printers.offset
    means = weights @ offsets
    left = np.sqrt(np.mean(weights @ offsets**2 - means**2))
    return MorePrints(tuple(settings), after.sd, min(float(left), after.sd), now, max(then, now))


def _outcome_likelihoods(
    printers: PossiblePrinters, coded: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Play outcomes of prints at some settings; give the log likelihood of each under each printer."""
    n = len(printers.offset)
    truth = rng.choice(n, size=min(SCENARIOS, n), replace=False)
    means = printers.means(coded)
    log = np.zeros((len(truth), n))
    for group in printers.groups:
        mean = np.stack([means[name] for name in group.names], axis=2)
        root = _cholesky(group, truth)
        noise = rng.standard_normal((len(truth), len(coded), len(group.names)))
        seen = mean[truth] + np.einsum("sij,smj->smi", root, noise)
        inverse = np.linalg.inv(group.prints)
        size = np.linalg.slogdet(group.prints)[1]
        for s in range(len(truth)):
            off = seen[s][None] - mean
            log[s] -= 0.5 * (
                np.einsum("nmi,nij,nmj->n", off, inverse, off, optimize=True) + len(coded) * size
            )
    return log


def _cholesky(group: GroupDraws, rows: IntArray) -> FloatArray:
    values, vectors = np.linalg.eigh(group.prints[rows])
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :])
