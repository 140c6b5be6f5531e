"""Responses that do not rest on the same terms, runs or random groups, and what passes or fails, for the tests of this room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from kit.bench.measured import Measured
from kit.model.fit import fit_surface
from kit.model.pass_fail import outcome_surface
from kit.model.surface import Surface
from kit.study.description import COMES_OUT, ModelChoice, Response, Study
from kit.terms import FloatArray, expand_terms, model_matrix
from tests.unit.window.made import (
    GLOSS,
    STRENGTH,
    composite,
    correlated_readings,
    fit_by_hand,
    made_study,
    three_factors,
)

GRIP = Response(name="grip", label="bed grip", recipe="pass_fail", lower=1.0)
TRUTH = np.array(
    [[34, 4, -3, 1, 0.5, 0, 0, -2, -1, 0], [58, 3, -2, -3, 0, 0, 0, 0, 0, 0]], dtype=float
).T
SD = np.array([3.0, 2.0])


def unlike(
    seed: int = 1, *, missing: int = 3, rho: float = 0.7, terms: str = "main", **more: Any
) -> tuple[dict[str, Surface], Study]:
    """Gloss with all terms and prints; strength with fewer of both."""
    study = made_study(three_factors(), (GLOSS, STRENGTH))
    points = composite(3)
    X = model_matrix(study.coding, expand_terms(study.coding, "second_order"), points)
    covariance = np.array([[1, rho], [rho, 1]]) * np.outer(SD, SD)
    y = correlated_readings(np.random.default_rng(seed), X, TRUTH, covariance)
    keep = np.arange(missing, len(points))
    gloss = fit_by_hand(study, points, {"gloss": y[:, 0]})
    fewer = fit_by_hand(study, points[keep], {"strength": y[keep, 1]}, terms=terms, **more)
    return {**gloss, "strength": renamed(fewer["strength"], keep)}, study


def renamed(surface: Surface, places: Sequence[int]) -> Surface:
    """Name the runs by their places in the whole plan, from 1."""
    runs = [str(i + 1) for i in places]
    return replace(surface, observations=surface.observations.assign(run=runs))


def runs_table(study: Study, points: FloatArray, block: Sequence[int] | int = 1) -> pd.DataFrame:
    """Lay out a printed plan."""
    natural = study.coding.decode(points)
    return pd.DataFrame(
        {
            "run": [str(i + 1) for i in range(len(points))],
            "round": "surface",
            "block": block,
            "print_order": range(1, len(points) + 1),
            **natural,
            **{f"{n}_actual": v for n, v in natural.items()},
            "status": "printed",
            "note": "",
        }
    )


def with_blocks(
    seed: int = 1, *, rho: float = 0.6, blocks: int = 6, missing: int = 0, **parts: Any
) -> tuple[dict[str, Surface], Study]:
    """Two responses with random blocks, prints and blocks correlated; strength may lack the first prints."""
    model = ModelChoice(blocks="random", terms="main")
    study = made_study(three_factors(), (GLOSS, STRENGTH), model=model, **parts)
    points = np.vstack([composite(3), composite(3)[:14]])
    block = np.arange(len(points)) % blocks + 1
    rng = np.random.default_rng(seed)
    both = np.array([[1, rho], [rho, 1]]) * np.outer(SD, SD)
    X = model_matrix(study.coding, expand_terms(study.coding, "main"), points)
    y = X @ TRUTH[:4] + rng.multivariate_normal([0, 0], both, len(points)) * 0.8
    y = y + rng.multivariate_normal([0, 0], both, blocks)[block - 1] * 0.6
    runs = runs_table(study, points, block)
    first = {"gloss": 0, "strength": missing}
    return {
        r.name: fit_surface(
            Measured(
                r,
                pd.DataFrame(),
                pd.DataFrame(
                    {
                        "run": runs["run"][first[r.name] :],
                        "value": y[first[r.name] :, i],
                        "specimens": 1,
                        "readings": 1,
                    }
                ),
            ),
            runs,
            study,
        )
        for i, r in enumerate(study.responses)
    }, study


def outcome(
    study: Study, passed: FloatArray, response: Response = GRIP, points: FloatArray | None = None
) -> Surface:
    """Fit what passes or fails on the usual composite."""
    points = composite(3) if points is None else points
    return outcome_surface(
        response, runs_table(study, points), np.asarray(passed, dtype=float), study
    )


def comes_out(study: Study, passed: FloatArray) -> Surface:
    """Fit whether a print comes out."""
    counting = study.window.model_copy(update={"failed_prints": True})
    stated = study.model_copy(update={"window": counting}).response_named(COMES_OUT)
    return outcome(study, passed, stated)
