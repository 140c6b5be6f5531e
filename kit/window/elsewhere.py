"""What to say of settings on other printers: at home, on average, at the worst reasonable difference, and how many reach it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import special

from kit.model.predict import part_distribution
from kit.model.surface import Surface
from kit.saying import percent
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.printers import Lines, lay_lines, nozzle_place, offset_sd
from kit.window.probability import Forecast, forecast, with_limits
from kit.window.result import Setting

TOP = 500
"""Without one requirement the best average is sought among so many settings of the highest bound."""


@dataclass(frozen=True)
class Transfer:
    """Some settings, at home and on other printers.

    Attributes
    ----------
    settings : mapping of factor name to setting
    home : float
        Chance that one part meets everything on this printer.
    average : float
        On another printer drawn at random.
    worst : float
        At the worst thermometer difference among 95 % of printers; 0 where it leads outside of what was tried.
    worst_difference : float
        That difference, degC; positive: the other printer runs hotter at the same indication.
    share : float
        Share of printers on which the chance reaches the confidence.
    untried : float
        Share of printers that would run outside of the temperatures tried.
    """

    settings: Mapping[str, Setting]
    home: float
    average: float
    worst: float
    worst_difference: float
    share: float
    untried: float


@dataclass(frozen=True)
class Transmitted:
    """How much of a response's scatter the settings themselves hand on.

    Attributes
    ----------
    response : str
    own : float
        SD of one part at the settings, everything set exactly.
    thermometer : float
        SD that thermometer differences between printers hand on.
    setting : float
        SD that settings off by up to half a step hand on, all factors on a scale together.
    """

    response: str
    own: float
    thermometer: float
    setting: float


@dataclass(frozen=True)
class Elsewhere:
    """Settings on other printers.

    Attributes
    ----------
    offset : float
        degC; 95 % of other printers differ by less.
    for_home : Transfer
        The settings best at home; where other printers were not asked for, those recommended.
    for_elsewhere : Transfer or None
        The settings best on average elsewhere; None where other printers were not asked for.
    transmitted : tuple of Transmitted
        At the settings best elsewhere, or else at home.
    """

    offset: float
    for_home: Transfer
    for_elsewhere: Transfer | None
    transmitted: tuple[Transmitted, ...]


def transfer(
    surfaces: Mapping[str, Surface], study: Study, settings: Mapping[str, Setting]
) -> Transfer:
    """Follow some settings to other printers.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        At least one with limits.
    study : Study
        Thermometer differences and confidence.
    settings : mapping of factor name to setting
        Inside the tried region.

    Returns
    -------
    Transfer
    """
    at = study.coding.code({n: [settings[n]] for n in study.coding.names})
    home = float(forecast(surfaces, at).chance()[0])
    lines = lay_lines(surfaces, study, at)
    sd = offset_sd(study)
    if lines is None or sd <= 0:
        reaches = float(home >= study.window.confidence)
        return Transfer(dict(settings), home, home, home, 0.0, reaches, 0.0)
    chances = forecast(surfaces, lines.coded).chance()
    differences, values = lines.along(chances, 0)
    offset = study.printer.thermometer_offset
    untried = float(special.ndtr(differences[0] / sd) + special.ndtr(-differences[-1] / sd))
    worst, at_worst = _worst(differences, values, offset)
    return Transfer(
        settings=dict(settings),
        home=home,
        average=float(lines.average(chances)[0]),
        worst=worst,
        worst_difference=at_worst,
        share=_share(differences, values, study.window.confidence, sd),
        untried=untried,
    )


def _worst(differences: FloatArray, values: FloatArray, offset: float) -> tuple[float, float]:
    """Find the lowest chance among differences up to ``offset`` either way."""
    for side in (-offset, offset):
        if not differences[0] - 1e-9 <= side <= differences[-1] + 1e-9:
            return 0.0, float(side)
    d = np.append(differences[np.abs(differences) < offset], [-offset, offset])
    chance = np.interp(d, differences, values)
    return float(chance.min()), float(d[chance.argmin()])


def _share(differences: FloatArray, values: FloatArray, confidence: float, sd: float) -> float:
    """Give the share of printers whose chance reaches the confidence; crossings are interpolated."""
    level = values - confidence
    share = 0.0
    for a, b, u, v in zip(differences[:-1], differences[1:], level[:-1], level[1:], strict=True):
        if u < 0 and v < 0:
            continue
        low = a if u >= 0 else a + (b - a) * u / (u - v)
        high = b if v >= 0 else a + (b - a) * u / (u - v)
        share += float(special.ndtr(high / sd) - special.ndtr(low / sd))
    return share


def transmitted(
    surfaces: Mapping[str, Surface], study: Study, settings: Mapping[str, Setting]
) -> tuple[Transmitted, ...]:
    """Give what errors of the settings hand on to each response.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        The fit.
    study : Study
        Thermometer differences and steps.
    settings : mapping of factor name to setting
        Natural units.

    Returns
    -------
    tuple of Transmitted

    Notes
    -----
    Thermometer differences: SD of the fitted mean over their normal distribution, integrated, so that curvature
    counts. Settings: first-order propagation (JCGM 100, 5.1.2) with a uniform error of half a step either way.
    """
    coding = study.coding
    at = coding.code({n: [settings[n]] for n in coding.names})
    found = []
    for name, surface in surfaces.items():
        if surface.success is not None:  # it has no scatter that could be handed on
            continue
        _, scale, _ = part_distribution(surface, at)
        rows = surface.rows(at)
        own = float(np.sqrt(scale[0] ** 2 - (rows @ surface.covariance @ rows.T)[0, 0]))
        variance = 0.0
        for i, factor in enumerate(study.factors):
            if factor.step and not factor.is_category:
                step = factor.step / factor.coded.half_range
                variance += (_slope(surface, at, i) * step) ** 2 / 12
        # On another scale: in the response's unit to first order, at the typical part.
        handed = np.array([own, _thermometer(surface, study, at), variance**0.5])
        shown = surface.scale.sd_in_unit(handed, np.repeat(surface.typical(at), 3))
        found.append(Transmitted(name, *(float(v) for v in shown)))
    return tuple(found)


def _slope(surface: Surface, at: FloatArray, place: int) -> float:
    ends = np.repeat(at, 2, axis=0)
    ends[:, place] += [-1e-4, 1e-4]
    low, high = surface.mean(ends)
    return float(high - low) / 2e-4


def _thermometer(surface: Surface, study: Study, at: FloatArray) -> float:
    place = nozzle_place(study)
    if place is None:
        return 0.0
    x, w = np.polynomial.hermite_e.hermegauss(9)
    w = w / w.sum()
    moved = np.repeat(at, len(x), axis=0)
    moved[:, place] += x * offset_sd(study) / study.factors[place].coded.half_range
    means = surface.mean(moved)
    return float(np.sqrt(max(w @ means**2 - (w @ means) ** 2, 0.0)))


def best_average_without(
    surfaces: Mapping[str, Surface],
    study: Study,
    coded: FloatArray,
    lines: Lines,
    extended: Forecast,
) -> dict[str, float]:
    """Give the best average chance with each requirement dropped in turn.

    Returns
    -------
    dict of response name to float
        The best among the settings of the highest bounds.
    """
    found = {}
    for name in extended.names:
        bound = lines.average(extended.without(name).bound)
        top = np.argsort(-bound, kind="stable")[:TOP]
        few = lay_lines(surfaces, study, coded[top])
        assert few is not None  # there are lines already
        if len(with_limits(surfaces, name)):
            chances = forecast(surfaces, few.coded, drop=name).chance()
        else:
            chances = np.ones(len(few.coded))
        found[name] = float(few.average(chances).max())
    return found


def elsewhere_note(found: Elsewhere, confidence: float, *, reached: bool) -> list[str]:
    """Say what limits the chance on other printers, where something does."""
    best, notes = found.for_elsewhere, list[str]()
    if best is None:
        return notes
    if best.untried > (1 - best.average) / 4 and best.untried > 0.005:
        notes.append(
            f"{100 * best.untried:.0f} % of printers would run outside of the temperatures tried and count as not met, since "
            "nobody tried it: a wider range of temperatures may show a higher chance elsewhere."
        )
    if not reached and found.for_home.home >= confidence:
        notes.append(
            f"At home {percent(found.for_home.home)} is reached; the differences between thermometers cost the rest. "
            "Printers adopt these settings safely only after their own few prints (testprint adopt)."
        )
    return notes
