"""Plain least squares against certified results, against statsmodels, and against doing it the long way."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.regression.linear_model import OLS

from kit.model.least_squares import (
    fit_least_squares,
    matrix_rank,
    residual_ss,
    studentised_residuals,
)
from tests.reference.cases import Case, load_case

CERTIFIED = {
    "l01_norris": "coefficients B0..",
    "l02_wampler4": "coefficients B0..",
    "l03_longley": "coefficients B0..B6",
    "l04_wampler5": "coefficients B0..",
}


def raw_columns(case: Case, coefficients: str) -> tuple[np.ndarray, np.ndarray]:
    """Give the model matrix as the reference states it: raw powers, or raw columns."""
    table = case.table()
    y = table.pop("y").to_numpy(dtype=float)
    if "x" in table:
        powers = len(case.value(coefficients))
        return np.vander(table["x"].to_numpy(dtype=float), powers, increasing=True), y
    return np.column_stack([np.ones(len(y)), table.to_numpy(dtype=float)]), y


@pytest.mark.parametrize(("name", "coefficients"), CERTIFIED.items())
def test_certified_regressions(name: str, coefficients: str) -> None:
    case = load_case(name)
    X, y = raw_columns(case, coefficients)
    fit = fit_least_squares(X, y, refine=True)
    case.check(coefficients, fit.coefficients)
    case.check("standard_errors", fit.std_errors)
    case.check("residual_sd", np.sqrt(fit.variance))
    case.check("residual_df", fit.df)
    case.check("r_squared", 1 - fit.residual_ss / np.sum((y - y.mean()) ** 2))


def test_refinement_brings_back_lost_digits() -> None:
    case = load_case("l04_wampler5")
    X, y = raw_columns(case, "coefficients B0..")
    plain = np.abs(fit_least_squares(X, y).coefficients - 1).max()
    refined = np.abs(fit_least_squares(X, y, refine=True).coefficients - 1).max()
    assert refined < 1e-12 < 1e-8 < plain


def some_fit(
    rng: np.random.Generator, n: int = 15, p: int = 4, q: int = 6
) -> tuple[np.ndarray, np.ndarray]:
    X = np.column_stack([np.ones(n), rng.normal(size=(n, p - 1))])
    return X, rng.normal(size=(n, q)) + 30


def test_many_responses_at_once_equal_single_fits(rng: np.random.Generator) -> None:
    X, Y = some_fit(rng)
    together = fit_least_squares(X, Y)
    for j in range(Y.shape[1]):
        alone = fit_least_squares(X, Y[:, j])
        np.testing.assert_allclose(together.coefficients[:, j], alone.coefficients, rtol=1e-12)
        np.testing.assert_allclose(together.std_errors[:, j], alone.std_errors, rtol=1e-12)
        np.testing.assert_allclose(together.studentised[:, j], alone.studentised, rtol=1e-9)
        assert together.press[j] == pytest.approx(alone.press)


def test_equals_statsmodels(rng: np.random.Generator) -> None:
    X, Y = some_fit(rng)
    y = Y[:, 0]
    ours, theirs = fit_least_squares(X, y), OLS(y, X).fit()
    influence = theirs.get_influence()
    np.testing.assert_allclose(ours.coefficients, theirs.params, rtol=1e-11)
    np.testing.assert_allclose(ours.unscaled, theirs.normalized_cov_params, atol=1e-12)
    np.testing.assert_allclose(ours.std_errors, theirs.bse, rtol=1e-11)
    np.testing.assert_allclose(ours.leverage, influence.hat_matrix_diag, rtol=1e-10)
    np.testing.assert_allclose(ours.studentised, influence.resid_studentized_external, rtol=1e-9)
    np.testing.assert_allclose(ours.left_out_residuals, influence.resid_press, rtol=1e-10)
    assert ours.df == theirs.df_resid


def test_left_out_residuals_are_those_of_real_refits(rng: np.random.Generator) -> None:
    X, Y = some_fit(rng)
    y = Y[:, 0]
    missed = []
    for i in range(len(y)):
        rest = np.arange(len(y)) != i
        missed.append(y[i] - X[i] @ fit_least_squares(X[rest], y[rest]).coefficients)
    fit = fit_least_squares(X, y)
    np.testing.assert_allclose(fit.left_out_residuals, missed, rtol=1e-9)
    assert fit.press == pytest.approx(np.sum(np.square(missed)))


def test_a_run_that_stands_alone_is_foretold_by_nobody() -> None:
    X = np.array([[1.0, 0], [1, 0], [1, 0], [1, 1]])
    fit = fit_least_squares(X, np.array([1.0, 2, 4, 9]))
    assert np.isnan(fit.left_out_residuals[3])
    assert np.isnan(fit.studentised[3])
    assert np.isfinite(fit.left_out_residuals[:3]).all()


def test_one_spare_run_cannot_be_studentised() -> None:
    residuals = np.array([1.0, -1.0])
    assert np.isnan(studentised_residuals(residuals, np.array([0.5, 0.5]), 1)).all()


def test_dependent_columns_are_refused() -> None:
    X = np.array([[1.0, 2, 4], [1, 3, 6], [1, 4, 8], [1, 5, 10]])
    with pytest.raises(ValueError, match="depend on each other"):
        fit_least_squares(X, np.arange(4.0))
    with pytest.raises(ValueError, match="2 runs cannot settle 3"):
        fit_least_squares(X[:2], np.arange(2.0))


def test_rank_ignores_units() -> None:
    X = np.column_stack([np.ones(4), [1e-9, 2e-9, 5e-9, 7e-9], [1e9, 5e9, 2e9, 8e9]])
    assert matrix_rank(X) == 3
    assert matrix_rank(np.column_stack([X, X[:, 1] * 1e6])) == 3
    assert matrix_rank(np.empty((4, 0))) == 0


def test_residual_ss_takes_dependent_columns(rng: np.random.Generator) -> None:
    X, Y = some_fit(rng)
    doubled = np.column_stack([X, X @ rng.normal(size=(4, 3))])
    ss, rank = residual_ss(doubled, Y[:, 0])
    assert rank == 4
    assert ss == pytest.approx(float(fit_least_squares(X, Y[:, 0]).residual_ss))


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6), factor=st.sampled_from([1e-6, 1e-3, 1.0, 1e3, 1e6]))
def test_units_only_scale(seed: int, factor: float) -> None:
    X, Y = some_fit(np.random.default_rng(seed), q=1)
    one, other = (
        fit_least_squares(X, Y[:, 0]),
        fit_least_squares(X * [1, factor, 1, 1], factor * Y[:, 0]),
    )
    np.testing.assert_allclose(
        other.residuals, factor * one.residuals, rtol=1e-7, atol=1e-9 * factor
    )
    expected = one.coefficients * factor / np.array([1, factor, 1, 1])
    np.testing.assert_allclose(other.coefficients, expected, rtol=1e-8)
