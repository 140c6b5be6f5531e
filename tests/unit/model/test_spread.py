"""Mean and spread modelled together: exact special cases, a general optimiser, coverage by setting, words."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats
from statsmodels.regression.linear_model import WLS

from kit.errors import ModelError
from kit.model.checks import check_surface
from kit.model.fit import fit_surface
from kit.model.least_squares import fit_least_squares
from kit.model.predict import distribution, predict
from kit.model.spread import fit_spread
from kit.model.spread_words import spread_ratios, spread_sentences
from kit.model.surface import Surface
from kit.study.description import ModelChoice
from kit.terms import CodedFactor, Coding, FloatArray, expand_terms, model_matrix
from kit.window.draws import posterior_draws
from kit.window.posterior import probability_draws
from kit.window.probability import chance_to_meet, group_alike
from tests.unit.model.builders import (
    coded_factors,
    composite,
    make_measured,
    make_runs,
    make_study,
)

CODING = Coding((CodedFactor("x1", -1.0, 1.0), CodedFactor("x2", -1.0, 1.0)))
BETA = np.array([50, 4, -2, -1, -1.5, -0.5])


def lattice(repeats: int = 2, centre: int = 4) -> FloatArray:
    grid = [(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)] * repeats + [(0, 0)] * centre
    return np.array(grid, dtype=float)


def second_order(coded: FloatArray) -> FloatArray:
    return model_matrix(CODING, expand_terms(CODING, "second_order"), coded)


def uneven(seed: int, slope: float = 1.2) -> tuple[FloatArray, FloatArray, FloatArray]:
    coded = lattice()
    rng = np.random.default_rng(seed)
    X = second_order(coded)
    return coded, X, X @ BETA + np.exp(0.5 * slope * coded[:, 0]) * rng.normal(size=len(X))


def two_groups(seed: int) -> tuple[FloatArray, FloatArray]:
    rng = np.random.default_rng(seed)
    return rng.normal(20, 1, size=6), rng.normal(23, 3, size=9)


@given(st.integers(0, 10_000))
@settings(max_examples=20, deadline=None)
def test_two_groups_are_welch(seed: int) -> None:
    """With one two-level factor everything is known exactly: both variances, Welch's t and his degrees of freedom."""
    a, b = two_groups(seed)
    coding = Coding((CodedFactor("x", -1.0, 1.0),))
    coded = np.repeat([-1.0, 1.0], [6, 9])[:, None]
    terms = expand_terms(coding, "main")
    fit = fit_spread(model_matrix(coding, terms, coded), np.append(a, b), coding, terms, coded)
    ends = np.array([[-1.0], [1.0]])
    np.testing.assert_allclose(fit.spread.variance(ends), [a.var(ddof=1), b.var(ddof=1)], rtol=1e-6)
    assert 4 * fit.spread.covariance[1, 1] == pytest.approx(2 / 5 + 2 / 8, rel=1e-6)
    welch = stats.ttest_ind(b, a, equal_var=False)
    row = np.array([[0.0, 2.0]])
    error = np.sqrt(row @ fit.spread.mean_covariance @ row.T)[0, 0]
    assert 2 * fit.coefficients[1] / error == pytest.approx(welch.statistic, rel=1e-6)
    assert fit.spread.contrast_df(row)[0] == pytest.approx(welch.df, rel=1e-6)
    # A new print of one group rests on that group alone.
    rows = model_matrix(coding, terms, ends)
    np.testing.assert_allclose(fit.spread.future_df(rows, ends), [5, 8], rtol=1e-6)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("named", [("x1",), ("x1", "x2")])
def test_a_general_optimiser_finds_the_same(seed: int, named: tuple[str, ...]) -> None:
    coded, X, y = uneven(seed)
    terms = expand_terms(CODING, named)
    Z = model_matrix(CODING, terms, coded)

    def cost(gamma: FloatArray) -> float:
        variance = np.exp(Z @ gamma)
        fit = WLS(y, X, weights=1 / variance).fit()
        information = X.T @ (X / variance[:, None])
        rest = np.sum(np.asarray(fit.resid) ** 2 / variance)
        return 0.5 * float(np.sum(np.log(variance)) + np.linalg.slogdet(information)[1] + rest)

    found = optimize.minimize(cost, np.zeros(Z.shape[1]), method="BFGS", options={"gtol": 1e-8})
    fit = fit_spread(X, y, CODING, terms, coded)
    np.testing.assert_allclose(fit.spread.coefficients, found.x, atol=2e-4)
    # Weights known, the mean is weighted least squares.
    weighted = WLS(y, X, weights=1 / fit.variances).fit()
    np.testing.assert_allclose(fit.coefficients, weighted.params, rtol=1e-9)
    np.testing.assert_allclose(
        fit.spread.mean_covariance, weighted.normalized_cov_params, rtol=1e-8, atol=1e-12
    )
    even = fit_least_squares(X, y)
    start = np.append(np.log(float(even.variance)), np.zeros(Z.shape[1] - 1))
    ratio = 2 * (cost(start) - found.fun)
    assert fit.spread.p == pytest.approx(stats.chi2.sf(ratio, Z.shape[1] - 1), abs=1e-5)


@given(st.integers(0, 10_000), st.floats(0.01, 1000), st.floats(-1e3, 1e3))
@settings(max_examples=20, deadline=None)
def test_units_do_not_matter(seed: int, scale: float, shift: float) -> None:
    coded, X, y = uneven(seed)
    terms = expand_terms(CODING, ["x1"])
    fit = fit_spread(X, y, CODING, terms, coded)
    other = fit_spread(X, scale * y + shift, CODING, terms, coded)
    np.testing.assert_allclose(other.variances, scale**2 * fit.variances, rtol=1e-4)
    np.testing.assert_allclose(
        other.spread.coefficients[1:], fit.spread.coefficients[1:], atol=1e-4
    )
    # The weighted squares of the misses are as many as the spare prints: the scale is unbiased.
    assert np.sum(fit.residuals**2 / fit.variances) == pytest.approx(fit.spread.df, rel=1e-4)


def test_too_few_prints_are_refused_with_their_number() -> None:
    coded, X, y = uneven(1)
    terms = expand_terms(CODING, ["x1", "x2"])
    with pytest.raises(ModelError, match=r"18 prints for this model, there are 13. Add 5 prints"):
        fit_spread(X[:13], y[:13], CODING, terms, coded[:13])
    level = coded.copy()
    level[:, 0] = 0.5
    with pytest.raises(ModelError, match="do not tell apart what x1 would do to the scatter"):
        fit_spread(X, y, CODING, expand_terms(CODING, ["x1"]), level)


def test_prints_that_agree_to_the_last_digit_are_refused() -> None:
    coded = np.repeat([-1.0, 1.0], 8)[:, None]
    coding = Coding((CodedFactor("x", -1.0, 1.0),))
    terms = expand_terms(coding, "main")
    y = np.append(np.tile([20.0, 20.0001], 4), np.random.default_rng(1).normal(23, 3, size=8))
    with pytest.raises(ModelError, match="agree too well"):
        fit_spread(model_matrix(coding, terms, coded), y, coding, terms, coded)


def surface(
    slope: float = 1.2, seed: int = 4, spread: tuple[str, ...] = ("x1",), **keys: object
) -> Surface:
    study = make_study(coded_factors(), unit="MPa")
    response = study.responses[0].model_copy(update={"spread": spread, **keys})
    runs = make_runs(pd.DataFrame(lattice(), columns=["x1", "x2"]))
    _, _, y = uneven(seed, slope)
    measured = make_measured(study.model_copy(update={"response": (response,)}), runs, y)
    return fit_surface(measured, runs, study)


def test_predictions_use_the_scatter_of_their_setting() -> None:
    found = surface()
    assert found.spread is not None
    ends = np.array([[-1.0, 0.0], [1.0, 0.0]])
    mean, scale, df = distribution(found, ends, "print")
    doubt = np.sum((found.rows(ends) @ found.covariance) * found.rows(ends), axis=1)
    np.testing.assert_allclose(scale**2, doubt + found.spread.variance(ends))
    assert scale[1] > scale[0]
    assert np.all(df < found.residual_df)
    np.testing.assert_allclose(mean, found.mean(ends))
    assert found.residual_variance == pytest.approx(found.spread.variance(lattice()).mean())
    np.testing.assert_allclose(found.term_df, found.row_df(np.eye(6)))


def test_checks_stand_on_one_scale_of_scatter() -> None:
    checks = {c.name: c for c in check_surface(surface())}
    table = checks["outliers"].table
    assert np.isfinite(table["studentised"]).all()
    assert checks["spread"].passed is True
    assert checks["spread"].sentence.startswith("Beside the scatter modelled by setting")
    assert checks["lack_of_fit"].table["df"].iloc[0] == 3
    left_out = surface().observations
    for place in (0, 5, 11):  # the weights are those of all prints; they hardly change
        study = make_study(coded_factors())
        runs = make_runs(pd.DataFrame(lattice(), columns=["x1", "x2"]))
        response = study.responses[0].model_copy(update={"spread": ("x1",)})
        study = study.model_copy(update={"response": (response,)})
        measured = make_measured(study, runs, uneven(4)[2])
        without = fit_surface(measured, runs, study, leave_out=[str(place + 1)])
        at = {name: left_out[name][place] for name in ("x1", "x2")}
        foretold = predict(without, at)["estimate"].iloc[0]
        assert left_out["left_out"][place] == pytest.approx(foretold, abs=0.4)


def test_uneven_scatter_names_the_key_that_models_it() -> None:
    for seed in range(40):
        plain = surface(slope=3.0, seed=seed, spread=())
        check = next(c for c in check_surface(plain) if c.name == "spread")
        if check.passed is False:
            assert 'spread = ["x1"]' in check.sentence
            return
    pytest.fail("no uneven scatter was seen")


def test_even_data_without_the_key_are_least_squares() -> None:
    plain = surface(spread=())
    assert plain.spread is None
    assert plain.weights is None
    assert plain.method == "least squares"


def test_chance_and_its_limits_use_the_scatter_of_the_setting() -> None:
    found = {"y": surface(slope=2.4, lower=49.0)}
    assert len(group_alike([found["y"], surface()])) == 2
    at = np.array([[-0.5, -1.0], [0.6, 0.0]])
    chance = chance_to_meet(found, at)
    for place in (0, 1):
        draws = probability_draws(found, at[place], np.random.default_rng(2), draws=20_000)
        assert draws.mean() == pytest.approx(chance[place], abs=0.01)
    (group,) = posterior_draws(found, np.random.default_rng(3), 8000)
    apart = group.chance(group.means(at), coded=at).mean(axis=0)
    np.testing.assert_allclose(apart, chance, atol=0.03)
    alike = group.chance(group.means(at)).mean(axis=0)  # the average scatter is another
    assert abs(alike[0] - chance[0]) > 0.03


def test_what_is_said() -> None:
    found = surface(slope=2.4)
    (ratio,) = spread_ratios(found)
    assert (ratio.at, ratio.against) == (1.0, -1.0)
    assert ratio.low < ratio.ratio < ratio.high
    assert ratio.ratio == pytest.approx(np.exp(found.spread.coefficients[1]))
    said = spread_sentences(found)
    assert len(said) == 2
    assert "times as much as at -1" in said[0].replace("\u2212", "-")
    assert "scatter least at x1" in said[1]


def test_a_category_is_compared_with_its_first_level() -> None:
    study = make_study({"x1": (-1.0, 1.0), "spool": ("white", "pink")}, terms="main")
    response = study.responses[0].model_copy(update={"spread": ("spool",)})
    study = study.model_copy(update={"response": (response,)})
    settings_ = pd.DataFrame(
        {"x1": np.tile([-1.0, 1.0], 10), "spool": np.repeat(["white", "pink"], 10)}
    )
    runs = make_runs(settings_)
    rng = np.random.default_rng(5)
    y = rng.normal(size=20) * np.repeat([1.0, 3.0], 10) + 20
    (ratio,) = spread_ratios(fit_surface(make_measured(study, runs, y), runs, study))
    assert (ratio.term, ratio.at, ratio.against) == ("spool=pink", "pink", "white")
    a, b = y[:10], y[10:]
    assert ratio.ratio == pytest.approx(b.std() / a.std(), rel=0.3)


def test_random_groups_and_limits_are_refused() -> None:
    study = make_study(coded_factors())
    response = study.responses[0].model_copy(update={"spread": ("x1",)})
    study = study.model_copy(
        update={"response": (response,), "model": ModelChoice(blocks="random")}
    )
    runs = make_runs(pd.DataFrame(lattice(), columns=["x1", "x2"]), block=np.repeat([1, 2], 11))
    measured = make_measured(study, runs, uneven(4)[2])
    with pytest.raises(ModelError, match="random groups"):
        fit_surface(measured, runs, study)
    study = study.model_copy(update={"model": ModelChoice(blocks="none")})
    measured.prints["censored"] = measured.prints["value"] > 54
    with pytest.raises(ModelError, match="hides their scatter"):
        fit_surface(measured, runs, study)


def test_a_composite_of_few_runs_is_too_lean() -> None:
    study = make_study(coded_factors())
    response = study.responses[0].model_copy(update={"spread": ("x1",)})
    study = study.model_copy(update={"response": (response,)})
    runs = make_runs(composite())
    with pytest.raises(ModelError, match="14 prints for this model, there are 12"):
        fit_surface(make_measured(study, runs, np.arange(12.0) ** 2 % 7), runs, study)


@pytest.mark.slow
@pytest.mark.parametrize("slope", [0.0, 1.2, 2.4])
def test_coverage_at_each_setting(slope: float) -> None:
    """Limits hold at calm and at wild settings alike; those of one scatter for all do not."""
    coded, terms = lattice(), expand_terms(CODING, ["x1"])
    new = np.array([(-1, 0), (-1, -1), (0, 0), (0.5, 0), (1, 0), (1, -1)], dtype=float)
    X, rows = second_order(coded), second_order(new)
    truth, sd, new_sd = (
        rows @ BETA,
        np.exp(0.5 * slope * coded[:, 0]),
        np.exp(0.5 * slope * new[:, 0]),
    )
    rng, rounds, done = np.random.default_rng(21), 1500, 0
    held, even, ratio = np.zeros((2, 6)), np.zeros(6), 0
    for _ in range(rounds):
        y = X @ BETA + sd * rng.normal(size=len(X))
        future = truth + new_sd * rng.normal(size=6)
        try:
            fit = fit_spread(X, y, CODING, terms, coded)
        except ModelError:
            continue
        done, found = done + 1, fit.spread
        doubt, mean = np.sum((rows @ found.mean_covariance) * rows, axis=1), rows @ fit.coefficients
        held[0] += np.abs(mean - truth) <= stats.t.ppf(0.975, found.contrast_df(rows)) * np.sqrt(
            doubt
        )
        reach = stats.t.ppf(0.975, found.future_df(rows, new))
        held[1] += np.abs(mean - future) <= reach * np.sqrt(doubt + found.variance(new))
        plain = fit_least_squares(X, y)
        h = np.sum((rows @ plain.unscaled) * rows, axis=1)
        reach = stats.t.ppf(0.975, plain.df) * np.sqrt(plain.variance * (1 + h))
        even += np.abs(rows @ plain.coefficients - future) <= reach
        v = found.covariance[1, 1]
        ratio += abs(found.coefficients[1] - slope) <= stats.t.ppf(0.975, 2 / v) * np.sqrt(v)
    assert done > 0.98 * rounds
    assert np.all(held / done > 0.92)
    assert np.all(held / done < 0.98)
    assert 0.93 < ratio / done < 0.98
    if slope == 2.4:
        assert even[4] / done < 0.8
        assert even[0] / done > 0.99
