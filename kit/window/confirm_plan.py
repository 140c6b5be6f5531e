"""Plan the confirming prints: how many, what they would show, and by which rule they will be judged.

The rule is fixed before anything is printed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from kit.model.predict import part_distribution
from kit.model.surface import Surface
from kit.saying import listed, percent, setting
from kit.study.description import Response, Study
from kit.terms import FloatArray
from kit.window.confirm import SURE, USUAL, acceptance, prediction_of_mean
from kit.window.probability import chance_to_meet
from kit.window.result import Setting
from kit.window.tolerance import (
    one_sided_factor,
    share_limits,
    two_sided_factor,
    zero_failure_prints,
)
from kit.window.verdict import CONFIRMATION

COUNTS = (4, 6, 8, 10)
"""Numbers of prints set side by side."""

LEVEL = 0.90
"""Confidence at which a plan is said to show a share by itself."""


@dataclass(frozen=True)
class ExpectedMean:
    """What the mean of the confirming prints of one response is foretold to be, and how far from a limit.

    Attributes
    ----------
    foretold, low, high : float
        Mean and its prediction interval, joint over the responses.
    distance : float
        From the foretold mean to the nearest limit, in SDs of one new part; infinite without limits.
    factor : float
        Tolerance factor of the planned number of prints: that distance would be needed to show the
        response's share by mean and scatter of these prints alone; NaN without limits.
    """

    foretold: float
    low: float
    high: float
    distance: float
    factor: float


@dataclass(frozen=True)
class ConfirmationPlan:
    """How the settings are to be confirmed.

    Attributes
    ----------
    settings : mapping of factor name to setting
    prints : int
    promised, confidence : float
        Chance foretold at the settings; chance the study asks for.
    most_missed, refuted : int
        Prints that may miss; number of misses that refutes the promise.
    by_count : mapping of int to float
        Numbers of prints and the share that they show with 90 % confidence if all of them meet.
    zero_failure : int
        Prints that must all meet to show the confidence asked for, by themselves.
    means : mapping of response name to ExpectedMean
    units : mapping of factor name to str
        For the sentence.
    """

    settings: Mapping[str, Setting]
    prints: int
    promised: float
    confidence: float
    most_missed: int
    refuted: int
    by_count: Mapping[int, float]
    zero_failure: int
    means: Mapping[str, ExpectedMean]
    units: Mapping[str, str] = field(default_factory=dict)

    @property
    def sentence(self) -> str:
        """Say in plain words what is printed and by which rule it is judged."""
        where = listed(
            [
                f"{n.replace('_', ' ')} {setting(v, self.units.get(n, ''))}"
                for n, v in self.settings.items()
            ]
        )
        enough = f"at least {self.prints - self.most_missed}" if self.most_missed else "all"
        return (
            f"{self.prints} confirming prints at {where}, on another day. Confirmed when {enough} of them clearly "
            f"meet every requirement and the means lie where they were foretold (chance foretold {percent(self.promised)}). "
            f"If all {self.prints} meet, they show a chance of at least {percent(self.by_count[self.prints])} by "
            f"themselves; to show {100 * self.confidence:g} % by the count alone takes {self.zero_failure}."
        )


def plan_confirmation(
    surfaces: Mapping[str, Surface],
    study: Study,
    settings: Mapping[str, Setting],
    *,
    prints: int = USUAL,
) -> ConfirmationPlan:
    """Plan confirming prints at given settings.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        What foretells.
    study : Study
        Requirements and the confidence asked for.
    settings : mapping of factor name to setting
        Natural units; usually the recommended ones.
    prints : int
        How many prints, at least 1.

    Returns
    -------
    ConfirmationPlan

    Raises
    ------
    ValueError
        If ``prints`` is not at least 1.
    """
    if prints < 1:
        raise ValueError(f"prints must be 1 or more, got {prints}.")
    coded = study.coding.code({n: [settings[n]] for n in study.coding.names})
    promised, confidence = float(chance_to_meet(surfaces, coded)[0]), study.window.confidence
    most, refuted = acceptance(prints, max(promised, confidence), confidence)
    zero = zero_failure_prints(confidence, LEVEL)
    counts = sorted({*COUNTS, prints, zero})
    return ConfirmationPlan(
        settings=dict(settings),
        units={f.name: f.unit for f in study.factors},
        prints=prints,
        promised=promised,
        confidence=confidence,
        most_missed=most,
        refuted=refuted,
        by_count={n: share_limits(n, n, LEVEL)[0] for n in counts},
        zero_failure=zero,
        means={
            name: _expected(s, study, coded, prints, len(surfaces))
            for name, s in surfaces.items()
            if s.success is None
        },
    )


def _expected(
    surface: Surface, study: Study, coded: FloatArray, prints: int, responses: int
) -> ExpectedMean:
    pieces = float(study.specimen.specimens_per_print)
    sure = 1 - (1 - SURE) / responses
    foretold, low, high = prediction_of_mean(surface, coded, prints, specimens=pieces, sure=sure)
    _, scale, _ = part_distribution(surface, coded)
    response = study.response_named(surface.response.name)
    middle = float(surface.scale.forward(foretold))
    distance = _nearest_limit(surface.scale.requirement(response), middle) / float(scale[0])
    return ExpectedMean(foretold, low, high, distance, _factor(response, study, prints))


def _nearest_limit(response: Response, mean: float) -> float:
    below = np.inf if response.lower is None else mean - response.lower
    above = np.inf if response.upper is None else response.upper - mean
    return float(min(below, above))


def _factor(response: Response, study: Study, prints: int) -> float:
    if not response.has_limits or prints < 2:
        return float("nan")
    two = response.lower is not None and response.upper is not None
    return (two_sided_factor if two else one_sided_factor)(prints, study.window.confidence, LEVEL)


__all__ = ["CONFIRMATION", "ConfirmationPlan", "ExpectedMean", "plan_confirmation"]
