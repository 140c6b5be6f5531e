"""Further runs: where they narrow the doubt most, and what chance is expected after them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.model.surface import Surface
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.draws import posterior_draws
from kit.window.probability import forecast, with_limits
from kit.window.result import Window

IntArray = npt.NDArray[np.intp]

CANDIDATES, PROMISING = 300, 60
"""Settings among which runs are chosen, and settings whose doubt they are to narrow."""
SCENARIOS = 60
"""Outcomes of the runs that are played through."""


def _evenly(rows: IntArray, most: int) -> IntArray:
    if len(rows) <= most:
        return rows
    return np.asarray(rows[np.linspace(0, len(rows) - 1, most).round().astype(np.intp)])


def _promising(study: Study, window: Window) -> FloatArray:
    """Give the coded settings of the highest chance."""
    order = np.argsort(-window.grid["probability"].to_numpy(), kind="stable")
    top = window.grid.iloc[_evenly(order[: max(PROMISING, len(order) // 10)], PROMISING)]
    return study.coding.code({n: top[n] for n in study.coding.names})


def chosen_runs(
    surfaces: Mapping[str, Surface], study: Study, window: Window, runs: int
) -> pd.DataFrame:
    """Choose printable runs that narrow the doubt of the most promising settings.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        The fit.
    study : Study
        The factors.
    window : Window
        Its grid gives the candidates and says which settings are promising.
    runs : int
        How many.

    Returns
    -------
    DataFrame
        One column a factor, natural units.

    Notes
    -----
    One after the other the run that lowers the average prediction variance over the promising settings most, all responses
    together (each in units of its own scatter): sequential I-optimal augmentation.
    """
    places = _evenly(np.arange(len(window.grid)), CANDIDATES)
    table = window.grid.iloc[places]
    coded = study.coding.code({n: table[n] for n in study.coding.names})
    goal = _promising(study, window)
    limited = list(with_limits(surfaces).values())
    states = [(s.rows(coded), s.rows(goal), np.array(s.unscaled)) for s in limited]
    chosen = []
    for _ in range(runs):
        gain = np.zeros(len(coded))
        for rows, wanted, unscaled in states:
            leverage = np.sum((rows @ unscaled) * rows, axis=1)
            gain += np.mean((wanted @ unscaled @ rows.T) ** 2, axis=0) / (1 + leverage)
        best = int(gain.argmax())
        chosen.append(best)
        states = [
            (r, w, u - np.outer(u @ r[best], r[best] @ u) / (1 + r[best] @ u @ r[best]))
            for r, w, u in states
        ]
    picked = table.iloc[chosen][list(study.coding.names)]
    return pd.DataFrame(picked.reset_index(drop=True))


def expected_chance(
    surfaces: Mapping[str, Surface], study: Study, window: Window, runs: pd.DataFrame
) -> float | None:
    """Foretell the best chance after further runs, averaged over what they may turn out to be.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        The fit.
    study : Study
        Its seed.
    window : Window
        The answer so far.
    runs : DataFrame
        The further runs.

    Returns
    -------
    float or None
        None for mixed models, and where chances are averaged over other printers: no foretelling is done there.

    Notes
    -----
    Outcomes are drawn from the posterior, each updates the least-squares fit (same model, one more block not counted), and
    the best setting is chosen anew. At a fixed setting the expected chance stays what it is; what is gained is the choice
    between settings, and less doubt about the mean. Responses are multiplied, and the gain is added to the joint chance.
    """
    limited = with_limits(surfaces)
    if study.window.other_printers or any(s.method != "least squares" for s in limited.values()):
        return None
    rng = np.random.default_rng(study.seed)
    new = study.coding.code({n: runs[n] for n in study.coding.names})
    goal = _promising(study, window)
    now = float(forecast(limited, goal, joint=False).chance().max())
    total = 0.0
    draws = posterior_draws(limited, rng, SCENARIOS)
    seen: dict[str, FloatArray] = {}
    for group in draws:
        means = group.means(new)
        noise = np.linalg.cholesky(group.prints + 1e-12 * np.eye(len(group.names)))
        values = means + np.einsum("dij,dmj->dmi", noise, rng.standard_normal(means.shape))
        seen |= {name: values[:, :, j] for j, name in enumerate(group.names)}
    for i in range(SCENARIOS):
        updated = {n: _updated(s, new, seen[n][i]) for n, s in limited.items()}
        total += float(forecast(updated, goal, joint=False).chance().max())
    return float(min(window.grid["probability"].max() + max(total / SCENARIOS - now, 0.0), 1.0))


def _updated(surface: Surface, coded: FloatArray, values: FloatArray) -> Surface:
    """Give the fit after further prints, as least squares on all of them would."""
    rows, u = surface.rows(coded), surface.unscaled
    missed = values - rows @ surface.coefficients
    inner = np.linalg.inv(np.eye(len(rows)) + rows @ u @ rows.T)
    unscaled = u - u @ rows.T @ inner @ rows @ u
    df = surface.residual_df + len(rows)
    variance = (surface.residual_variance * surface.residual_df + missed @ inner @ missed) / df
    return replace(
        surface,
        coefficients=surface.coefficients + u @ rows.T @ inner @ missed,
        unscaled=unscaled,
        covariance=variance * unscaled,
        residual_variance=float(variance),
        residual_df=float(df),
        term_df=np.full(len(u), float(df)),
    )
