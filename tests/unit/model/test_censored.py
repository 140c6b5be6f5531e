"""Prints at the limit of the instrument: the fit, its limits, and what is said of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from kit.bench.measured import Measured
from kit.errors import ModelError
from kit.model.anova import anova_terms
from kit.model.censored import fit_censored
from kit.model.checks import check_surface
from kit.model.fit import fit_surface
from kit.model.known_misses import is_censored, with_known_misses
from kit.model.least_squares import fit_least_squares
from kit.model.limit_words import limit_effect, limit_sentences
from kit.model.predict import predict
from kit.model.refits import refit
from kit.model.surface import Surface
from kit.study.description import ModelChoice
from kit.terms import FloatArray
from kit.window.posterior import probability_interval
from kit.window.probability import chance_to_meet, group_alike
from tests.unit.model.builders import (
    coded_factors,
    composite,
    make_measured,
    make_runs,
    make_study,
)

# Life of 40 motor insulations at four temperatures, hours, censored at the end of the test: Schmee & Hahn, Technometrics 21, 1979,
# 417-432, after Nelson & Hahn; typed from memory, as are the maximum-likelihood estimates below.
MOTORS = (
    (150, [], 10, 8064),
    (170, [1764, 2772, 3444, 3542, 3780, 4860, 5196], 3, 5448),
    (190, [408, 408, 1344, 1344, 1440], 5, 1680),
    (220, [408, 408, 504, 504, 504], 5, 528),
)


def motors() -> tuple[FloatArray, FloatArray, np.ndarray]:
    rows = [(t, h, False) for t, hours, _, _ in MOTORS for h in hours]
    rows += [(t, end, True) for t, _, left, end in MOTORS for _ in range(left)]
    degrees, hours, censored = (np.array(column) for column in zip(*rows, strict=True))
    X = np.column_stack([np.ones(len(rows)), 1000 / (degrees + 273.2)])
    return X, np.log10(hours), censored


def random_case(seed: int, n: int = 30) -> tuple[FloatArray, FloatArray, np.ndarray]:
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.normal(size=(n, 3))])
    y = X @ np.array([50.0, 3, 2, 1]) + 2 * rng.normal(size=n)
    return X, np.minimum(y, 52.0), y >= 52.0


def test_motor_insulation_life() -> None:
    X, y, censored = motors()
    fit = fit_censored(X, y, censored)
    assert len(y) == 40
    assert censored.sum() == 23
    np.testing.assert_allclose(fit.coefficients, [-6.019, 4.311], atol=5e-4)
    assert fit.sigma == pytest.approx(0.2592, abs=5e-5)
    assert fit.df == 15


@pytest.mark.parametrize("seed", range(4))
def test_a_general_optimiser_finds_the_same(seed: int) -> None:
    X, y, censored = random_case(seed)
    fit = fit_censored(X, y, censored)

    def cost(at: FloatArray) -> float:
        mean, sd = X @ at[:-1], np.exp(at[-1])
        inside = stats.norm.logpdf(y, mean, sd)[~censored].sum()
        return -float(inside + stats.norm.logsf(y, mean, sd)[censored].sum())

    start = np.append(np.linalg.lstsq(X, y, rcond=None)[0], 0.5)
    found = optimize.minimize(cost, start, method="BFGS", options={"gtol": 1e-9})
    np.testing.assert_allclose(fit.coefficients, found.x[:-1], rtol=1e-5)
    assert fit.sigma == pytest.approx(np.exp(found.x[-1]), rel=1e-5)
    assert fit.log_likelihood == pytest.approx(-found.fun, abs=1e-7)
    # The observed information by differences of the cost, at its minimum.
    best = np.append(fit.coefficients, np.log(fit.sigma))
    step = 1e-3 * np.eye(len(best))
    bend = np.array(
        [
            [
                (cost(best + a + b) - cost(best + a - b) - cost(best - a + b) + cost(best - a - b))
                / 4e-6
                for b in step
            ]
            for a in step
        ]
    )
    covariance = np.linalg.inv(bend)[:-1, :-1]
    np.testing.assert_allclose(fit.unscaled * fit.sigma**2, covariance, rtol=2e-3, atol=1e-5)


@given(st.integers(0, 10_000))
@settings(max_examples=25, deadline=None)
def test_without_censoring_it_is_least_squares(seed: int) -> None:
    X, y, _ = random_case(seed)
    fit, plain = fit_censored(X, y, np.zeros(len(y), dtype=bool)), fit_least_squares(X, y)
    np.testing.assert_allclose(fit.coefficients, plain.coefficients, rtol=1e-9)
    np.testing.assert_allclose(fit.unscaled, plain.unscaled, rtol=1e-7, atol=1e-12)
    assert fit.variance == pytest.approx(float(plain.variance), rel=1e-9)
    assert fit.df == plain.df


@given(st.integers(0, 10_000), st.floats(0.01, 1000), st.floats(-1e4, 1e4))
@settings(max_examples=25, deadline=None)
def test_units_do_not_matter(seed: int, scale: float, shift: float) -> None:
    X, y, censored = random_case(seed)
    fit, other = fit_censored(X, y, censored), fit_censored(X, scale * y + shift, censored)
    moved = scale * fit.coefficients + shift * np.eye(4)[0]
    np.testing.assert_allclose(other.coefficients, moved, rtol=1e-6, atol=1e-6 * scale)
    assert other.variance == pytest.approx(scale**2 * fit.variance, rel=1e-5)
    np.testing.assert_allclose(other.unscaled, fit.unscaled, rtol=1e-4, atol=1e-7)


@given(st.integers(0, 10_000))
@settings(max_examples=25, deadline=None)
def test_prints_at_the_limit_pull_the_surface_up_never_down(seed: int) -> None:
    X, y, censored = random_case(seed)
    fit, naive = fit_censored(X, y, censored), fit_least_squares(X, y)
    assert ((X @ fit.coefficients - X @ naive.coefficients)[censored]).mean() >= -1e-9
    assert np.all(fit.residuals[censored] > (y - fit.fitted)[censored])  # beyond what was read
    assert np.all((fit.weights >= 0) & (fit.weights <= 1))


def test_too_many_at_the_limit_are_refused() -> None:
    X = np.column_stack([np.ones(8), np.repeat([-1.0, 1.0], 4)])
    y = np.array([40, 41, 42, 43, 50, 50, 50, 50.0])
    with pytest.raises(ModelError, match="do not tell the terms of the model apart"):
        fit_censored(X, y, y >= 50)
    with pytest.raises(ModelError, match=r"the 2 others must be more than the 2 numbers to fit"):
        fit_censored(X, y, y >= 42)


def limited(
    limit: float = 52.0, seed: int = 2, **description: object
) -> tuple[Measured, pd.DataFrame]:
    """Print a composite twice, with a load cell that ends at the limit."""
    study = make_study(coded_factors(), unit="MPa")
    runs = make_runs(pd.concat([composite()] * 2, ignore_index=True))
    x1, x2 = runs["x1"].to_numpy(), runs["x2"].to_numpy()
    rng = np.random.default_rng(seed)
    y = 50 + 4 * x1 - 2 * x2 - x1**2 + rng.normal(size=len(runs))
    measured = make_measured(study, runs, np.minimum(y, limit))
    return replace(measured, prints=measured.prints.assign(censored=y >= limit)), runs


def limited_surface(**lower: float) -> Surface:
    study = make_study(coded_factors(), unit="MPa")
    measured, runs = limited()
    return fit_surface(
        replace(measured, response=measured.response.model_copy(update=lower)), runs, study
    )


def test_the_surface_knows_its_prints_at_the_limit() -> None:
    surface = limited_surface()
    at = is_censored(surface).to_numpy()
    assert 2 < at.sum() < 10
    assert surface.residual_df == len(at) - at.sum() - 6
    assert surface.observations.loc[at, ["studentised", "left_out"]].isna().all(axis=None)
    assert surface.observations.loc[~at, ["studentised", "left_out"]].notna().all(axis=None)
    assert not any("alone decide" in note for note in surface.notes)
    assert len(with_known_misses(surface).observations) == (~at).sum()
    # Predictions, chances and their limits work on it, and it stands alone beside others.
    assert predict(surface, {"x1": 0.5, "x2": 0.0}, what="print")["low"].iloc[0] < 53
    twin = limited_surface()
    assert len(group_alike([surface, twin])) == 2


def test_left_out_predictions_are_near_refits() -> None:
    study = make_study(coded_factors(), unit="MPa")
    measured, runs = limited()
    surface = fit_surface(measured, runs, study)
    table = surface.observations
    for place in np.flatnonzero(~is_censored(surface).to_numpy())[:6]:
        without = fit_surface(measured, runs, study, leave_out=[table["run"][place]])
        at = {name: table[name][place] for name in ("x1", "x2")}
        foretold = predict(without, at, extrapolate=True)["estimate"].iloc[0]
        assert table["left_out"][place] == pytest.approx(foretold, abs=0.25)  # one step of Newton's


def test_checks_speak_only_of_known_misses() -> None:
    checks = {c.name: c for c in check_surface(limited_surface())}
    assert checks["lack_of_fit"].passed is None
    assert "reached the limit" in checks["lack_of_fit"].sentence
    assert checks["scale"].passed is None
    known = int((~is_censored(limited_surface())).sum())
    assert len(checks["outliers"].table) == known
    assert np.isfinite(checks["outliers"].table["studentised"]).all()
    assert np.isfinite(checks["drift"].table["p"].iloc[0])


def test_terms_and_refits_follow_the_covariance() -> None:
    surface = limited_surface()
    table = anova_terms(surface).set_index("term")
    t = surface.coefficients[1] / np.sqrt(surface.covariance[1, 1])
    assert table.loc["x1", "F"] == pytest.approx(t**2)
    draws = refit(surface, np.random.default_rng(1), 40_000)
    df = surface.residual_df
    np.testing.assert_allclose(np.cov(draws) * (df - 2) / df, surface.covariance, atol=0.02)


def test_chance_has_its_limits_around_it() -> None:
    surfaces = {"y": limited_surface(lower=50.0)}
    at = np.array([0.4, 0.0])
    chance = float(chance_to_meet(surfaces, at[None, :])[0])
    low, high = probability_interval(surfaces, at, np.random.default_rng(1))
    assert low < chance < high


def test_what_is_said() -> None:
    surface = limited_surface()
    found = limit_effect(surface)
    assert found is not None
    assert found.below[0] > 0
    assert found.naive_residual_sd < found.residual_sd
    said = limit_sentences(surface)
    assert f"{len(found.runs)} of 24 prints" in said[0]
    assert "at least what was read" in said[0]
    assert "lower at these prints" in said[1]


def test_random_groups_refuse_prints_at_the_limit() -> None:
    study = make_study(coded_factors(), unit="MPa")
    study = study.model_copy(update={"model": ModelChoice(blocks="random")})
    measured, runs = limited()
    runs["block"] = np.repeat([1, 2, 3], 8)
    with pytest.raises(ModelError, match="come in random groups"):
        fit_surface(measured, runs, study)


def test_all_below_the_limit_changes_nothing() -> None:
    study = make_study(coded_factors(), unit="MPa")
    measured, runs = limited(limit=500.0)
    plain = replace(measured, prints=measured.prints.drop(columns="censored"))
    a, b = fit_surface(measured, runs, study), fit_surface(plain, runs, study)
    assert a.weights is None
    assert np.array_equal(a.coefficients, b.coefficients)
    pd.testing.assert_frame_equal(a.observations, b.observations)


@pytest.mark.slow
def test_coverage_beside_the_fit_of_readings_as_they_stand() -> None:
    """Limits of mean and new print hold at all settings; taken as read they fail where the limit is reached."""
    grid = np.array([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)] * 2 + [(0, 0)] * 4, float)

    def rows(p: FloatArray) -> FloatArray:
        a, b = p.T
        return np.column_stack([np.ones(len(p)), a, b, a * b, a * a, b * b])

    beta = np.array([50, 4, -2, -1, -1.5, -0.5])
    X, new = rows(grid), rows(np.array([(-1, 0), (0, 0), (0.5, 0), (1, 0), (1, -1)], float))
    mean, truth = X @ beta, new @ beta
    limit = float(np.quantile(mean, 0.8)) + 0.6
    rng, rounds = np.random.default_rng(11), 1500
    held, naive, counted = np.zeros((2, 5)), np.zeros(5), 0
    for _ in range(rounds):
        y = mean + 2 * rng.normal(size=len(mean))
        future = truth + 2 * rng.normal(size=5)
        try:
            fit = fit_censored(X, np.minimum(y, limit), y >= limit)
        except ModelError:
            continue
        counted += 1
        h = np.sum((new @ fit.unscaled) * new, axis=1)
        t, m = stats.t.ppf(0.975, fit.df), new @ fit.coefficients
        held[0] += np.abs(m - truth) <= t * np.sqrt(fit.variance * h)
        held[1] += np.abs(m - future) <= t * np.sqrt(fit.variance * (1 + h))
        plain = fit_least_squares(X, np.minimum(y, limit))
        h = np.sum((new @ plain.unscaled) * new, axis=1)
        reach = stats.t.ppf(0.975, plain.df) * np.sqrt(plain.variance * h)
        naive += np.abs(new @ plain.coefficients - truth) <= reach
    assert counted > 0.98 * rounds
    assert np.all(held / counted > 0.93)
    assert np.all(held / counted < 0.985)
    assert naive[4] / counted < 0.4
