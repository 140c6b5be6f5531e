"""The pooled fit from cross-products equals the same model fitted to all rows at once."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.errors import ModelError
from kit.model.pool import CrossProducts, cross_products, fit_pool
from kit.model.reml import fit_reml
from kit.model.small_sample import SmallSample, future_variance


def printers_of(
    rng: np.random.Generator,
    counts: list[int],
    sds: tuple[float, ...] = (0.8,),
    blocks: bool = False,
) -> tuple[list[CrossProducts], np.ndarray, np.ndarray, np.ndarray]:
    """Invented prints: y = X b + effects of each printer + noise."""
    parts, rows, ys, labels = [], [], [], []
    for j, n in enumerate(counts):
        x = rng.uniform(-1, 1, (n, 2))
        X = np.column_stack([np.ones(n), x, x[:, 0] * x[:, 1]])
        b = np.array([10.0, 2.0, -1.0, 0.5])
        b[: len(sds)] += rng.normal(0, sds)
        y = X @ b + rng.normal(0, 0.5, n)
        B = np.zeros((n, 1))
        if blocks:
            B[:, 0] = np.where(np.arange(n) % 2, 1.0, -1.0)
            y = y + 0.7 * B[:, 0]
        parts.append(cross_products(X, y, B if blocks else None))
        rows.append(np.hstack([X, *(B * (i == j) for i in range(len(counts)))]) if blocks else X)
        ys.append(y)
        labels += [j] * n
    return parts, np.vstack(rows), np.concatenate(ys), np.array(labels)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 2**31), st.lists(st.integers(5, 12), min_size=3, max_size=7))
def test_equals_reml_on_all_rows(seed: int, counts: list[int]) -> None:
    parts, X, y, labels = printers_of(np.random.default_rng(seed), counts)
    pooled, whole = fit_pool(parts, [0]), fit_reml(y, X, [labels])
    assert pooled.components == pytest.approx(whole.components, rel=2e-4, abs=1e-6)
    assert pooled.coefficients == pytest.approx(whole.coefficients, abs=1e-4)
    assert pooled.covariance == pytest.approx(whole.covariance, rel=1e-3, abs=1e-6)


def test_information_and_future_variance_equal_those_of_the_mixed_model(
    rng: np.random.Generator,
) -> None:
    from kit.model.kenward_roger import satterthwaite

    parts, X, y, labels = printers_of(rng, [8, 9, 10, 7, 12])
    pooled, whole = fit_pool(parts, [0]), fit_reml(y, X, [labels])
    assert pooled.component_covariance == pytest.approx(whole.component_covariance, rel=1e-3)
    model: SmallSample = satterthwaite(whole)
    future = future_variance(model, X[:4])
    mean, scale, df = pooled.new_printer(X[:4])
    assert mean == pytest.approx(X[:4] @ whole.coefficients, abs=1e-5)
    assert scale**2 == pytest.approx(future.variance, rel=1e-3)
    assert df == pytest.approx(future.df, rel=1e-3)


def test_blocks_taken_out_beforehand_equal_blocks_in_the_model(rng: np.random.Generator) -> None:
    parts, X, y, labels = printers_of(rng, [9, 8, 11, 10], blocks=True)
    pooled, whole = fit_pool(parts, [0]), fit_reml(y, X, [labels])
    assert pooled.components == pytest.approx(whole.components, rel=1e-3)
    assert pooled.coefficients == pytest.approx(whole.coefficients[:4], abs=1e-4)
    assert pooled.covariance == pytest.approx(whole.covariance[:4, :4], rel=1e-3, abs=1e-7)


def test_slopes_equal_a_mixed_model_of_statsmodels(rng: np.random.Generator) -> None:
    """Independent random intercept and slope; reference: MixedLM with two variance components."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    parts, X, y, labels = printers_of(rng, [12] * 12, sds=(0.8, 0.6))
    pooled = fit_pool(parts, [0, 1])
    found = MixedLM(y, X, labels, exog_re=X[:, :2]).fit(
        reml=True, free=_diagonal(), method=["lbfgs"]
    )
    assert pooled.components[:2] == pytest.approx(np.diag(found.cov_re), rel=2e-3)
    assert pooled.components[2] == pytest.approx(found.scale, rel=1e-3)
    assert pooled.coefficients == pytest.approx(found.fe_params, abs=1e-4)
    effects = np.array([found.random_effects[j] for j in range(12)])
    assert pooled.effects == pytest.approx(effects, abs=2e-3)


def _diagonal():
    from statsmodels.regression.mixed_linear_model import MixedLMParams

    return MixedLMParams.from_components(np.ones(4), cov_re=np.eye(2))


def test_study_split_in_two_changes_nothing(rng: np.random.Generator) -> None:
    x = rng.normal(size=(12, 1))
    X, y = np.column_stack([np.ones(12), x]), rng.normal(size=12)
    whole, halves = (
        cross_products(X, y),
        cross_products(X[:5], y[:5]) + cross_products(X[5:], y[5:]),
    )
    assert halves.xx == pytest.approx(whole.xx)
    assert halves.xy == pytest.approx(whole.xy)
    assert (halves.yy, halves.n) == pytest.approx((whole.yy, whole.n))


def test_printers_alike_give_plain_least_squares(rng: np.random.Generator) -> None:
    X = np.column_stack([np.ones(10), np.linspace(-1, 1, 10)])
    y = X @ [3.0, 1.0] + rng.normal(0, 0.1, 10)
    pooled = fit_pool([cross_products(X, y)] * 4, [0])
    assert pooled.components[0] == 0
    assert pooled.coefficients == pytest.approx(np.linalg.lstsq(X, y, rcond=None)[0])


def test_two_printers_are_too_few(rng: np.random.Generator) -> None:
    parts, *_ = printers_of(rng, [8, 8])
    with pytest.raises(ModelError, match="2 printers cannot say"):
        fit_pool(parts, [0])


@pytest.mark.slow
def test_limits_hold_for_new_printers_as_often_as_they_say() -> None:
    """A new part on a new printer lies in its 90 % limits about that often, few printers or many."""
    from scipy import special

    rng = np.random.default_rng(5)
    for counts in ([8] * 4, [8] * 8):
        hits = []
        for _ in range(400):
            parts, X, *_ = printers_of(rng, counts)
            mean, scale, df = fit_pool(parts, [0]).new_printer(X[:1])
            truth = X[0] @ [10.0, 2.0, -1.0, 0.5] + rng.normal(0, 0.8) + rng.normal(0, 0.5)
            hits.append(abs(truth - mean[0]) <= special.stdtrit(df[0], 0.95) * scale[0])
        assert np.mean(hits) == pytest.approx(0.90, abs=0.035)
