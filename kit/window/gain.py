"""Further runs: where they narrow the doubt most, and what chance is expected after them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.model.mixed import RandomPart
from kit.model.surface import Surface
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.draws import GroupDraws, posterior_draws
from kit.window.printers import lay_lines
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
    # What a part passes or fails tells too little a print to choose by.
    asked = list(with_limits(surfaces).values())
    limited = [s for s in asked if s.success is None] or asked
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
        Its seed, and whether other printers count.
    window : Window
        The answer so far.
    runs : DataFrame
        The further runs.

    Returns
    -------
    float or None
        None where no requirement has a scatter, or a surface was fitted in a way that cannot be brought up to date (prints
        at the limit of the instrument, scatter that differs by setting).

    Notes
    -----
    Outcomes are drawn from the posterior, each updates the fit (same model; the further round is a block of its own), and
    the best setting is chosen anew. At a fixed setting the expected chance stays what it is; what is gained is the choice
    between settings, and less doubt about the mean. Responses are multiplied, and the gain is added to the joint chance. A
    mixed model's variances are taken as known meanwhile; what a part passes or fails is taken as it is.
    """
    limited = with_limits(surfaces)
    fitted = {n: s for n, s in limited.items() if s.success is None}
    if not fitted or not all(_can_be_updated(s) for s in fitted.values()):
        return None
    rng = np.random.default_rng(study.seed)
    new = study.coding.code({n: runs[n] for n in study.coding.names})
    goal = _promising(study, window)
    best = _best_over(limited, study, goal)
    now = best(fitted)
    total = 0.0
    draws = posterior_draws(fitted, rng, SCENARIOS)
    seen: dict[str, FloatArray] = {}
    for group in draws:
        values = _played(group, new, rng)
        seen |= {name: values[:, :, j] for j, name in enumerate(group.names)}
    for i in range(SCENARIOS):
        total += best({n: _updated(s, new, seen[n][i]) for n, s in fitted.items()})
    return float(min(window.grid["probability"].max() + max(total / SCENARIOS - now, 0.0), 1.0))


def _can_be_updated(surface: Surface) -> bool:
    return surface.weights is None and (
        surface.mixed is not None or surface.method == "least squares"
    )


def _best_over(
    limited: Mapping[str, Surface], study: Study, goal: FloatArray
) -> Callable[[Mapping[str, Surface]], float]:
    """Give what finds the best chance among some settings, averaged over other printers where these count."""
    lines = lay_lines(limited, study, goal) if study.window.other_printers else None
    coded = goal if lines is None else lines.coded
    outcomes = {n: s for n, s in limited.items() if s.success is not None}
    passing = forecast(outcomes, coded, joint=False).chance()

    def best(surfaces: Mapping[str, Surface]) -> float:
        chances = forecast(surfaces, coded, joint=False).chance() * passing
        return float((chances if lines is None else lines.average(chances)).max())

    return best


def _played(group: GroupDraws, new: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Draw what further prints may measure, shape (draws, runs, q)."""
    means = group.means(new)
    root = np.linalg.cholesky(group.prints + 1e-12 * np.eye(len(group.names)))
    noise = rng.standard_normal(means.shape)
    shares = np.array([_shared(s) for s in group.surfaces])
    if shares.any():  # prints of one round share the luck of its block
        common = rng.standard_normal((len(means), 1, means.shape[2]))
        noise = np.sqrt(shares) * common + np.sqrt(1 - shares) * noise
    return np.asarray(means + np.einsum("dij,dmj->dmi", root, noise))


def _shared(surface: Surface) -> float:
    """Give the share of a print's variance that it has in common with the prints of its round."""
    if surface.mixed is None:
        return 0.0
    parts = surface.mixed.components
    return float(1 - parts[-1] / parts.sum())


def _updated(surface: Surface, coded: FloatArray, values: FloatArray) -> Surface:
    """Give the fit after further prints, as least squares on all of them would."""
    if surface.mixed is not None:
        return _updated_mixed(surface, surface.mixed, coded, values)
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


def _updated_mixed(
    surface: Surface, mixed: RandomPart, coded: FloatArray, values: FloatArray
) -> Surface:
    """Give a mixed fit after further prints of one new group of each kind, its variances taken as known."""
    rows, parts = surface.rows(coded), mixed.components
    noise = parts[-1] * np.eye(len(rows)) + parts[:-1].sum()
    old = mixed.small
    gain = np.linalg.solve(rows @ old.covariance @ rows.T + noise, rows @ old.covariance).T
    kept = np.eye(len(surface.coefficients)) - gain @ rows
    coefficients = surface.coefficients + gain @ (values - rows @ surface.coefficients)
    adjusted = kept @ old.adjusted @ kept.T + gain @ noise @ gain.T
    small = replace(
        old,
        coefficients=coefficients,
        covariance=kept @ old.covariance,
        adjusted=adjusted,
        slopes=kept @ old.slopes @ kept.T,
    )
    return replace(
        surface,
        coefficients=coefficients,
        covariance=adjusted,
        unscaled=adjusted / surface.residual_variance,
        mixed=replace(mixed, small=small),
    )
