"""Surfaces and studies made by hand for the tests of this room: plain numpy, no fitting code of the kit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from kit.model.surface import LackOfFit, Surface, VarianceParts
from kit.model.tried import TriedRegion
from kit.study.description import Factor, Response, Study
from kit.terms import FloatArray, expand_terms, model_matrix


def composite(factors: int, *, axial: float = 1.0, centre: int = 4) -> FloatArray:
    """Central composite in coded units: corners, axial points, centre points."""
    corners = np.array(list(product([-1.0, 1.0], repeat=factors)))
    arms = np.vstack([sign * axial * np.eye(factors) for sign in (-1, 1)])
    return np.vstack([corners, arms, np.zeros((centre, factors))])


def made_study(factors: Sequence[Factor], responses: Sequence[Response], **parts: Any) -> Study:
    return Study(title="made by hand", factor=tuple(factors), response=tuple(responses), **parts)


def three_factors() -> tuple[Factor, ...]:
    """The usual three factors, with printable steps."""
    return (
        Factor(name="nozzle", kind="nozzle_temperature", unit="degC", low=190, high=230, step=5),
        Factor(name="speed", kind="speed", unit="mm/s", low=40, high=120, step=10),
        Factor(name="fan", kind="fan_duty", unit="%", low=20, high=100, step=10),
    )


def fit_by_hand(
    study: Study,
    points: FloatArray,
    values: Mapping[str, FloatArray],
    *,
    terms: str | Sequence[str] = "second_order",
    specimens: Mapping[str, tuple[float, float, float]] | None = None,
    lack_of_fit: Mapping[str, LackOfFit] | None = None,
    block_columns: FloatArray | None = None,
) -> dict[str, Surface]:
    """Fit each response by least squares with plain numpy.

    ``specimens`` gives m, variance and degrees of freedom between specimens of a print.
    """
    coding = study.coding
    made = expand_terms(coding, terms)
    X = model_matrix(coding, made, points)
    names: tuple[str, ...] = ()
    if block_columns is not None:
        X = np.column_stack([X, block_columns])
        names = tuple(f"block={i + 2}" for i in range(block_columns.shape[1]))
    unscaled = np.linalg.inv(X.T @ X)
    df = float(len(X) - X.shape[1])
    natural = coding.decode(points)
    surfaces = {}
    for name, y in values.items():
        b = unscaled @ X.T @ y
        residual = y - X @ b
        variance = float(residual @ residual) / df
        m, between, between_df = (specimens or {}).get(name, (1.0, None, 0.0))
        surfaces[name] = Surface(
            response=study.response_named(name),
            coding=coding,
            terms=made,
            block_names=names,
            coefficients=b,
            covariance=variance * unscaled,
            term_df=np.full(X.shape[1], df),
            unscaled=unscaled,
            residual_variance=variance,
            residual_df=df,
            observations=pd.DataFrame(
                {
                    "run": [str(i + 1) for i in range(len(X))],
                    "print_order": np.arange(1, len(X) + 1),
                    "block": 1,
                    **natural,
                    "value": y,
                    "fitted": X @ b,
                    "residual": residual,
                }
            ),
            not_estimable=(),
            alias_notes=(),
            r2=np.nan,
            r2_predicted=np.nan,
            lack_of_fit=(lack_of_fit or {}).get(name),
            variance=VarianceParts(variance, None, between, None),
            tried=TriedRegion(coding, points),
            specimens_per_print=m,
            specimen_variance=between,
            specimen_df=between_df,
            design=X,
        )
    return surfaces


def correlated_readings(
    rng: np.random.Generator,
    X: FloatArray,
    truth: FloatArray,
    covariance: FloatArray,
) -> FloatArray:
    """Draw readings around X times ``truth``, shape (n, q), rows with the given covariance."""
    return X @ truth + rng.multivariate_normal(np.zeros(len(covariance)), covariance, size=len(X))


GLOSS = Response(name="gloss", unit="GU", recipe="gloss", lower=30.0)
WIDTH = Response(name="width", unit="mm", recipe="dimension", lower=-0.15, upper=0.15)
STRENGTH = Response(name="strength", unit="MPa", recipe="three_point_bending", lower=55.0)


def demo_surfaces(
    seed: int = 11,
    *,
    responses: Sequence[Response] = (GLOSS, WIDTH, STRENGTH),
    noise: float = 1.0,
    **parts: Any,
) -> tuple[dict[str, Surface], Study]:
    """Three responses over a face-centred composite in three factors, invented truth, correlated scatter."""
    study = made_study(three_factors(), responses, **parts)
    points = composite(3)
    X = model_matrix(study.coding, expand_terms(study.coding, "second_order"), points)
    # terms: 1, n, s, f, n:s, n:f, s:f, n^2, s^2, f^2
    truth = np.array(
        [
            [42, 9, -5, 1, 0.5, 0, 0, -3, -1, 0],
            [0.02, 0.04, 0.03, -0.05, 0.01, -0.01, 0, 0.03, 0.01, 0.02],
            [66, 4, -3, -4, 0, 1, 0, -4, -1, -1],
        ]
    ).T
    sd = noise * np.array([3.0, 0.03, 2.0])
    correlation = np.array([[1, 0.2, 0.6], [0.2, 1, 0.1], [0.6, 0.1, 1]])
    y = correlated_readings(np.random.default_rng(seed), X, truth, correlation * np.outer(sd, sd))
    values = dict(zip(("gloss", "width", "strength"), y.T, strict=True))
    return fit_by_hand(study, points, {r.name: values[r.name] for r in responses}), study
