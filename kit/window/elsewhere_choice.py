"""A choice of settings as it does on another printer drawn at random: single chances, predictions, limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from scipy import optimize, special

from kit.model.predict import part_distribution
from kit.model.surface import Surface
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.printers import Lines, lay_lines, offset_sd
from kit.window.probability import forecast, with_limits
from kit.window.result import Choice, Prediction
from kit.window.tied_draws import truth_draws

DRAWS, NODES = 1000, 25
"""Possible truths, and thermometer differences of each, behind the limits of an average chance."""


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
    for group in truth_draws(with_limits(surfaces), rng, DRAWS):
        chance = chance * group.chance(group.means(coded), coded=coded)
    low, high = np.quantile(chance @ weights, [0.025, 0.975])
    return float(low), float(high)


def _prediction(surface: Surface, lines: Lines) -> Prediction:
    """Foretell one part on any printer that runs inside of what was tried: a mixture over the differences."""
    coded, weights = _nodes(lines)
    weights = weights / weights.sum()
    if surface.success is not None:
        rows = surface.rows(coded)
        possible = special.expit(rows @ surface.success.possible.T).T @ weights
        low, high = np.quantile(possible, [0.025, 0.975])
        return Prediction(float(possible.mean()), float(low), float(high))
    mean, scale, df = part_distribution(surface, coded)
    centre = float(weights @ mean)
    reach = 30 * float(np.max(scale)) + float(np.ptp(mean))

    def quantile(level: float) -> float:
        def surplus(y: float) -> float:
            return float(weights @ special.stdtr(df, (y - mean) / scale)) - level

        return float(optimize.brentq(surplus, centre - reach, centre + reach))

    limits = (quantile(0.025), quantile(0.975))
    if surface.scale.is_plain:
        return Prediction(centre, *limits)
    return Prediction(*(float(v) for v in surface.scale.back([quantile(0.5), *limits])))
