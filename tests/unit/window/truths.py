"""Truths drawn from a stated distribution, to see how often stated chances are right.

Effects in coded units: straight N(0, straight^2), interactions and squares N(0, (straight / 2)^2). The
scatter of prints is log-uniform on 0.2 to 1.2, two responses with correlation uniform on -0.9 to 0.9.
Requirements know nothing of the truth: half are lower limits, half are two-sided, placed at random on
the scale of the effects. With ``straight=2`` effects stand clear of the scatter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from kit.model.surface import Surface
from kit.study.description import Response, Study
from kit.terms import FloatArray, expand_terms, model_matrix
from kit.window.rectangle import normal_rectangle
from tests.unit.window.made import (
    composite,
    correlated_readings,
    fit_by_hand,
    made_study,
    three_factors,
)

SCATTER = (0.2, 1.2)


@dataclass(frozen=True)
class Truth:
    """A study with its hidden truth."""

    study: Study
    coefficients: FloatArray  # (p, 2)
    sd: FloatArray
    correlation: FloatArray

    def rows(self, coded: FloatArray) -> FloatArray:
        return model_matrix(
            self.study.coding, expand_terms(self.study.coding, "second_order"), coded
        )

    def readings(self, rng: np.random.Generator, points: FloatArray) -> dict[str, Surface]:
        """Print the points, measure, and fit."""
        covariance = self.correlation * np.outer(self.sd, self.sd)
        y = correlated_readings(rng, self.rows(points), self.coefficients, covariance)
        return fit_by_hand(self.study, points, dict(zip("ab", y.T, strict=True)))

    def chance(self, coded: FloatArray) -> FloatArray:
        """True chance that one new part meets both requirements."""
        mean = self.rows(coded) @ self.coefficients
        responses = self.study.responses
        low = np.array([-np.inf if r.lower is None else r.lower for r in responses])
        high = np.array([np.inf if r.upper is None else r.upper for r in responses])
        return normal_rectangle((low - mean) / self.sd, (high - mean) / self.sd, self.correlation)


def draw_truth(
    rng: np.random.Generator,
    *,
    factors: int = 3,
    straight: float = 2.0,
    free: tuple[str, ...] = (),
    **parts: Any,
) -> Truth:
    """Draw a study and its truth; responses named in ``free`` get no requirement."""
    k = factors
    order = np.array([straight] * k + [straight / 2] * (k * (k - 1) // 2 + k))
    coefficients = np.vstack([np.zeros(2), rng.normal(size=(len(order), 2)) * order[:, None]])
    # How far a mean at a random setting of the cube typically lies from 0.
    moments = np.array([1 / 3] * k + [1 / 9] * (k * (k - 1) // 2) + [1 / 5] * k)
    spread = float(np.sqrt(np.sum(order**2 * moments)))
    rho = rng.uniform(-0.9, 0.9)
    required = [_requirement(name, rng, spread) for name in "ab"]
    return Truth(
        study=made_study(
            three_factors()[:k],
            [r if r.name not in free else Response(name=r.name) for r in required],
            **parts,
        ),
        coefficients=coefficients,
        sd=np.exp(rng.uniform(*np.log(SCATTER), size=2)),
        correlation=np.array([[1, rho], [rho, 1]]),
    )


def _requirement(name: str, rng: np.random.Generator, spread: float) -> Response:
    if rng.random() < 0.5:
        return Response(name=name, lower=float(rng.normal() - 0.7) * spread)
    middle = float(rng.normal()) * 0.6 * spread
    return Response(name=name, lower=middle - 1.3 * spread, upper=middle + 1.3 * spread)


def printed(factors: int) -> FloatArray:
    """The prints of each simulated study: a face-centred composite with four centre points."""
    return composite(factors)
