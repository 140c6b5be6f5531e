"""What to say of settings on other printers: at home, on average, at the worst reasonable difference, and how many reach it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize, special

from kit.model.predict import part_distribution
from kit.model.surface import Surface
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.draws import posterior_draws
from kit.window.printers import Lines, lay_lines, nozzle_place, offset_sd
from kit.window.probability import Forecast, forecast, with_limits
from kit.window.result import Choice, Prediction, Setting

DRAWS, NODES = 1000, 25
"""Possible truths, and thermometer differences of each, behind the limits of an average chance."""

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
        _, scale, _ = part_distribution(surface, at)
        rows = surface.rows(at)
        own = float(np.sqrt(scale[0] ** 2 - (rows @ surface.covariance @ rows.T)[0, 0]))
        variance = 0.0
        for i, factor in enumerate(study.factors):
            if factor.step and not factor.is_category:
                step = factor.step / factor.coded.half_range
                variance += (_slope(surface, at, i) * step) ** 2 / 12
        found.append(Transmitted(name, own, _thermometer(surface, study, at), variance**0.5))
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


def on_other_printers(
    choice: Choice,
    surfaces: Mapping[str, Surface],
    study: Study,
    rng: np.random.Generator,
) -> Choice:
    """Say of a choice what it does on another printer drawn at random, in place of what it does at home.

    Parameters
    ----------
    choice : Choice
        Its ``probability`` is the average already.
    surfaces : mapping of response name to Surface
        The fit.
    study : Study
        Thermometer differences.
    rng : Generator
        For the limits of the average chance.

    Returns
    -------
    Choice
        With averaged single chances, predictions that hold 95 % of parts over all printers that run inside of what
        was tried, and limits of the average chance.
    """
    at = study.coding.code({n: [choice.settings[n]] for n in study.coding.names})
    lines = lay_lines(surfaces, study, at)
    if lines is None or offset_sd(study) <= 0:
        return choice
    extended = forecast(surfaces, lines.coded)
    low, high = _average_limits(surfaces, study, lines, rng)
    return replace(
        choice,
        low=min(low, choice.probability),
        high=max(high, choice.probability),
        alone={
            n: float(lines.average(extended.alone[:, i])[0]) for i, n in enumerate(extended.names)
        },
        predictions={n: _prediction(s, lines) for n, s in surfaces.items()},
    )


def _nodes(lines: Lines) -> tuple[FloatArray, FloatArray]:
    """Give coded settings over the differences of one line, and their weights (sum below 1 where some are untried)."""
    low, high = lines.ends[0]
    sd, at = lines.sd, float(lines.at[0])
    low, high = max(float(low), at - 5 * sd), min(float(high), at + 5 * sd)
    x, w = np.polynomial.legendre.leggauss(NODES)
    t = low + (high - low) * (x + 1) / 2
    weights = w * (high - low) / 2 * np.exp(-0.5 * ((t - at) / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
    coded = np.repeat(lines.coded[:1], NODES, axis=0)
    coded[:, lines.place] = t
    return coded, weights


def _average_limits(
    surfaces: Mapping[str, Surface], study: Study, lines: Lines, rng: np.random.Generator
) -> tuple[float, float]:
    coded, weights = _nodes(lines)
    chance = np.ones((DRAWS, len(coded)))
    for group in posterior_draws(with_limits(surfaces), rng, DRAWS):
        chance = chance * group.chance(group.means(coded))
    low, high = np.quantile(chance @ weights, [0.025, 0.975])
    return float(low), float(high)


def _prediction(surface: Surface, lines: Lines) -> Prediction:
    """Foretell one part on any printer that runs inside of what was tried: a mixture over the differences."""
    coded, weights = _nodes(lines)
    weights = weights / weights.sum()
    mean, scale, df = part_distribution(surface, coded)
    centre = float(weights @ mean)
    reach = 30 * float(np.max(scale)) + float(np.ptp(mean))

    def quantile(level: float) -> float:
        def surplus(y: float) -> float:
            return float(weights @ special.stdtr(df, (y - mean) / scale)) - level

        return float(optimize.brentq(surplus, centre - reach, centre + reach))

    return Prediction(centre, quantile(0.025), quantile(0.975))


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
            f"At home {100 * found.for_home.home:.0f} % is reached; the differences between thermometers cost the rest. "
            "Printers adopt these settings safely only after their own few prints (testprint adopt)."
        )
    return notes
