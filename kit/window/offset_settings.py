"""Corrected settings for the new printer, the chance before and after its prints, and what more prints would bring."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.model.surface import Surface
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.draws import GroupDraws
from kit.window.offset import OffsetPosterior
from kit.window.possible_printers import PossiblePrinters
from kit.window.printers import nozzle_place, offset_sd
from kit.window.result import Setting
from kit.window.settable import PrintableGrid, printable_grid

IntArray = npt.NDArray[np.intp]

LOOKED_AT = 4000
"""Printable settings of the search; each is asked of many possible printers."""
ROUGH, EXACT, SHORT = 300, 1000, 30
"""Printers for the first ranking and for the final one; settings that the final one looks at."""
AS_GOOD = 2e-3
"""Chances this close count as equal: draws tell no finer."""
CANDIDATES = 240
"""Settings among which prints are placed."""
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


def place_prints(
    surfaces: Mapping[str, Surface],
    study: Study,
    prints: int,
    *,
    first: Mapping[str, Setting] | None = None,
    printed: FloatArray | None = None,
    middle: float = 0.0,
    sd: float | None = None,
) -> tuple[list[dict[str, Setting]], float]:
    """Place prints where they tell most of the thermometer difference.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        The donor's.
    study : Study
        The adopter's assumptions, in the donor's coding.
    prints : int
        How many.
    first : mapping of factor name to setting, optional
        Settings that one of them must have: the donor's recommended ones, which tell at once whether they hold.
    printed : array, shape (n, n_factors), optional
        Coded settings printed before.
    middle, sd : float
        What is believed of the difference, degC; at first 0 and the SD of thermometers.

    Returns
    -------
    settings : list of dict
    expected_sd : float
        Doubt of the difference that is expected then, degC.

    Notes
    -----
    Straight-line approximation at three likely differences: a print tells of d by the slope of each response along the
    temperature and of the biases by 1, with the scatter of prints and the doubt of the surface as noise. The prints
    that leave the least variance of d are chosen one after the other, then exchanged one by one until none helps.
    """
    spread = offset_sd(study) if sd is None else sd
    grid = _inner_grid(surfaces, study, spread, middle)
    criterion = _Doubt(surfaces, study, grid.coded, spread, middle, printed)
    chosen: list[int] = []
    if first is not None:
        chosen.append(
            _nearest(grid, study.coding.code({n: [first[n]] for n in study.coding.names})[0])
        )
    fixed = len(chosen)
    while len(chosen) < prints:
        chosen.append(int(np.argmin(criterion.with_each(chosen))))
    for _ in range(10):
        before = list(chosen)
        for i in range(fixed, len(chosen)):
            rest = chosen[:i] + chosen[i + 1 :]
            chosen[i] = int(np.argmin(criterion.with_each(rest)))
        if chosen == before:
            break
    settings = [grid.setting(grid.index[i]) for i in chosen]
    if first is not None and settings:
        settings[0] = dict(first)
    return settings, float(np.sqrt(criterion.of(chosen)))


def _inner_grid(
    surfaces: Mapping[str, Surface], study: Study, sd: float, middle: float
) -> PrintableGrid:
    """Give settings from which a likely difference does not lead outside of what was tried, where there are any."""
    grid = printable_grid(surfaces, study, largest=CANDIDATES * 4)
    place = nozzle_place(study)
    assert place is not None
    half = study.factors[place].coded.half_range
    inside = np.ones(len(grid.index), dtype=bool)
    for shift in (middle - sd, middle + sd):
        moved = grid.coded.copy()
        moved[:, place] += shift / half
        for s in surfaces.values():
            inside &= s.tried.contains(moved)
    index = grid.index[inside] if inside.sum() >= 2 else grid.index
    if len(index) > CANDIDATES:
        index = index[np.linspace(0, len(index) - 1, CANDIDATES).round().astype(int)]
    return PrintableGrid(grid.coding, grid.axes, grid.kept, index, grid.allowed, is_product=False)


def _nearest(grid: PrintableGrid, coded: FloatArray) -> int:
    return int(np.abs(grid.coded - coded).sum(axis=1).argmin())


class _Doubt:
    """Variance of the thermometer difference that prints at some settings are expected to leave."""

    def __init__(
        self,
        surfaces: Mapping[str, Surface],
        study: Study,
        coded: FloatArray,
        sd: float,
        middle: float,
        printed: FloatArray | None,
    ) -> None:
        place = nozzle_place(study)
        assert place is not None
        half = study.factors[place].coded.half_range
        self._prior = np.diag(
            [1 / sd**2]
            + [1 / max(study.adopt.bias**2 * s.residual_variance, 1e-12) for s in surfaces.values()]
        )
        self._each = [
            self._information(surfaces, coded, place, half, middle + z * sd)
            for z in (-1.0, 0.0, 1.0)
        ]
        past = np.empty((0, coded.shape[1])) if printed is None else printed
        self._past = [
            self._information(surfaces, past, place, half, middle + z * sd).sum(axis=0)
            + self._prior
            for z in (-1.0, 0.0, 1.0)
        ]

    @staticmethod
    def _information(
        surfaces: Mapping[str, Surface], coded: FloatArray, place: int, half: float, shift: float
    ) -> FloatArray:
        """Give the information of one print at each setting on (d, biases), shape (m, 1 + q, 1 + q)."""
        q = len(surfaces)
        found = np.zeros((len(coded), 1 + q, 1 + q))
        ends = [coded.copy(), coded.copy()]
        for moved, step in zip(ends, (-0.5, 0.5), strict=True):
            moved[:, place] += (shift + step) / half
        for j, s in enumerate(surfaces.values()):
            slope = s.mean(ends[1]) - s.mean(ends[0])
            rows = s.rows(coded)
            noise = s.residual_variance + np.sum((rows @ s.covariance) * rows, axis=1)
            direction = np.zeros((len(coded), 1 + q))
            direction[:, 0], direction[:, 1 + j] = slope, 1.0
            found += (
                direction[:, :, None]
                * direction[:, None, :]
                / np.maximum(noise, 1e-300)[:, None, None]
            )
        return found

    def with_each(self, chosen: list[int]) -> FloatArray:
        """Give the variance left by the chosen settings and each further one."""
        total = np.zeros(len(self._each[0]))
        for each, past in zip(self._each, self._past, strict=True):
            base = past + each[chosen].sum(axis=0)
            total += np.linalg.inv(base + each)[:, 0, 0]
        return total / len(self._each)

    def of(self, chosen: list[int]) -> float:
        """Give the variance left by the chosen settings."""
        left = [
            np.linalg.inv(past + each[chosen].sum(axis=0))[0, 0]
            for each, past in zip(self._each, self._past, strict=True)
        ]
        return float(np.mean(left))


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
