"""Small studies made in memory from plain tables, for tests of the model room."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from kit.bench.measured import Measured
from kit.model.fit import fit_surface
from kit.model.surface import Surface
from kit.study.description import Factor, ModelChoice, Response, Study

Limits = tuple[float, float] | tuple[str, ...]


def make_study(
    factors: Mapping[str, Limits],
    *,
    response: str = "y",
    unit: str = "",
    terms: str | Sequence[str] = "second_order",
    blocks: str = "auto",
    units: Mapping[str, str] | None = None,
) -> Study:
    """Describe a study: each factor by its low and high, or by the names of its levels."""
    described = [
        Factor(name=name, kind="category", levels=limits)
        if isinstance(limits[0], str)
        else Factor(name=name, low=limits[0], high=limits[1], unit=(units or {}).get(name, ""))
        for name, limits in factors.items()
    ]
    wanted = terms if isinstance(terms, str) else tuple(terms)
    return Study(
        title="made in memory",
        factor=tuple(described),
        response=(Response(name=response, unit=unit),),
        model=ModelChoice(terms=wanted, blocks=blocks),
    )


def make_runs(
    settings: pd.DataFrame | Mapping[str, Any],
    *,
    actual: Mapping[str, Any] | None = None,
    block: Sequence[int] | None = None,
) -> pd.DataFrame:
    """Lay out a runs table in which every run was printed in the order given."""
    planned = pd.DataFrame(settings)
    n = len(planned)
    really = planned if actual is None else planned.assign(**actual)
    return pd.DataFrame(
        {
            "run": [str(i + 1) for i in range(n)],
            "round": "surface",
            "block": 1 if block is None else list(block),
            "print_order": range(1, n + 1),
            **{name: planned[name] for name in planned},
            **{f"{name}_actual": really[name] for name in planned},
            "status": "printed",
            "note": "",
        }
    )


def make_measured(study: Study, runs: pd.DataFrame, y: Sequence[float], **known: Any) -> Measured:
    """Wrap print means; ``known`` sets variances and counts below the print."""
    prints = pd.DataFrame(
        {"run": runs["run"], "value": np.asarray(y, dtype=float), "specimens": 1, "readings": 1}
    )
    return Measured(study.responses[0], pd.DataFrame(), prints, **known)


def surface_of(
    table: pd.DataFrame,
    factors: Mapping[str, Limits],
    response: str = "y",
    *,
    block: str | None = None,
    known: Mapping[str, Any] | None = None,
    **description: Any,
) -> Surface:
    """Fit one response of a table by the way a study takes."""
    study = make_study(factors, **description)
    labels = None if block is None else table[block].tolist()
    runs = make_runs(table[list(factors)], block=labels)
    return fit_surface(
        make_measured(study, runs, table[response].tolist(), **(known or {})), runs, study
    )


def composite(axial: float = 1.0, centre: int = 4, k: int = 2) -> pd.DataFrame:
    """Lay out a central composite in k factors x1, x2, ... coded -1 to 1."""
    corners = np.array(np.meshgrid(*[[-1.0, 1.0]] * k)).reshape(k, -1).T
    star = np.vstack([axial * np.eye(k), -axial * np.eye(k)])
    points = np.vstack([corners, star, np.zeros((centre, k))])
    return pd.DataFrame(points, columns=[f"x{i + 1}" for i in range(k)])


def coded_factors(k: int = 2) -> dict[str, tuple[float, float]]:
    """Describe k factors that are coded already."""
    return {f"x{i + 1}": (-1.0, 1.0) for i in range(k)}


def natural_coefficients(surface: Surface) -> dict[str, tuple[float, float]]:
    """Turn a first-order surface into natural units: estimate and standard error of each term."""
    names = [t.name for t in surface.terms]
    rows = np.zeros((len(names), len(names)))
    rows[0, 0] = 1
    for i, factor in enumerate(surface.coding.continuous, start=1):
        rows[i, names.index(factor.name)] = 1 / factor.half_range
        rows[0, names.index(factor.name)] = -factor.middle / factor.half_range
    estimates = rows @ surface.coefficients
    errors = np.sqrt(np.diag(rows @ surface.covariance @ rows.T))
    order = ["intercept", *(f.name for f in surface.coding.continuous)]
    return {name: (estimates[i], errors[i]) for i, name in enumerate(order)}
