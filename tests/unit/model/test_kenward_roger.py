"""Kenward-Roger and Satterthwaite: published cases, the paper's formulas, exact strata."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from kit.model.kenward_roger import f_test, kenward_roger, satterthwaite
from kit.model.reml import Reml, covariance_of_y, fit_reml
from kit.model.small_sample import SmallSample, contrast_df, contrasts
from tests.unit.model.mixed_cases import MixedCase, all_cases, case_id

CASES = pytest.mark.parametrize("mixed", all_cases(), ids=case_id)
WITH_LEVELS = [case for case in all_cases() if case.levels]


def unbalanced_fit(seed: int, ratio: float = 1.0) -> Reml:
    rng = np.random.default_rng(seed)
    plot = np.repeat(np.arange(7), [5, 2, 4, 2, 4, 3, 4])
    a = np.array([-1, -1, 0, 0, 1, 1, 1.0])[plot]
    b = rng.choice([-1.0, 0.0, 1.0], 24)
    X = np.column_stack([np.ones(24), a, b, a * b, b * b])
    y = 10 + rng.normal(size=24) + np.sqrt(ratio) * rng.normal(size=7)[plot]
    return fit_reml(y, X, [plot])


def paper_test(fit: Reml, L: np.ndarray) -> tuple[float, float, float]:
    """F, denominator df and scale as Kenward and Roger (1997) write them, with dense matrices."""
    X, V_inverse = fit.X, np.linalg.inv(fit.V)
    dV = [(g[:, None] == g).astype(float) for g in fit.groups] + [np.eye(len(fit.y))]
    phi = np.linalg.inv(X.T @ V_inverse @ X)
    W = np.linalg.inv(fit.information)
    P = [-X.T @ V_inverse @ d @ V_inverse @ X for d in dV]
    pairs = [(i, j) for i in range(len(dV)) for j in range(len(dV))]
    middle = sum(
        W[i, j] * (X.T @ V_inverse @ dV[i] @ V_inverse @ dV[j] @ V_inverse @ X - P[i] @ phi @ P[j])
        for i, j in pairs
    )
    adjusted = phi + 2 * phi @ middle @ phi
    q = len(L)
    theta = L.T @ np.linalg.inv(L @ phi @ L.T) @ L
    T = [theta @ phi @ p @ phi for p in P]
    A1 = sum(W[i, j] * np.trace(T[i]) * np.trace(T[j]) for i, j in pairs)
    A2 = sum(W[i, j] * np.trace(T[i] @ T[j]) for i, j in pairs)
    B = (A1 + 6 * A2) / (2 * q)
    g = ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
    c1, c2, c3 = np.array([g, q - g, q + 2 - g]) / (3 * q + 2 * (1 - g))
    mean = 1 / (1 - A2 / q)
    variance = 2 / q * (1 + c1 * B) / ((1 - c2 * B) ** 2 * (1 - c3 * B))
    rho = variance / (2 * mean**2)
    m = 4 + (q + 2) / (q * rho - 1)
    scale = m / (mean * (m - 2))
    effect = L @ fit.coefficients
    return scale * effect @ np.linalg.inv(L @ adjusted @ L.T) @ effect / q, m, scale


@CASES
def test_published_coefficients(mixed: MixedCase) -> None:
    model = kenward_roger(fit_reml(mixed.y, mixed.X, mixed.groups))
    found = contrasts(model, np.eye(mixed.X.shape[1]))
    mixed.check("se_fixed_kenward_roger", found.std_error)
    mixed.check("df_kenward_roger", found.df)
    mixed.check("t_kenward_roger", found.t)
    mixed.check("p_kenward_roger", found.p)


@CASES
def test_published_term_tests(mixed: MixedCase) -> None:
    model = kenward_roger(fit_reml(mixed.y, mixed.X, mixed.groups))
    tests = [f_test(model, mixed.rows(term)) for term in mixed.terms]
    for id, values in {
        "anova_kr_F": [t.F for t in tests],
        "anova_kr_num_df": [t.num_df for t in tests],
        "anova_kr_den_df": [t.den_df for t in tests],
        "anova_kr_p": [t.p for t in tests],
    }.items():
        mixed.check(id, values[0] if len(values) == 1 else values)


@CASES
def test_published_satterthwaite(mixed: MixedCase) -> None:
    model = satterthwaite(fit_reml(mixed.y, mixed.X, mixed.groups))
    mixed.check("df_satterthwaite", contrast_df(model, np.eye(mixed.X.shape[1])))
    # The source's rows for a category are differences from its first level.
    tests = []
    for term in mixed.terms:
        rows = mixed.rows(term)
        if len(term) == 2:
            rows = np.array([[-1, 1], [-2, -1]]) @ rows
        tests.append(f_test(model, rows))
    F, df = [t.F for t in tests], [t.den_df for t in tests]
    mixed.check("anova_satterthwaite_F", F[0] if len(F) == 1 else F)
    # The first unbalanced table crosses categories: its rows are not recoverable, so 4 digits.
    rtol = 1e-4 if mixed.tag == "unbalanced" else None
    id = f"{mixed.tag}: anova_satterthwaite_den_df"
    mixed.case.check(id, df[0] if len(df) == 1 else df, rtol=rtol)


@pytest.mark.parametrize("mixed", WITH_LEVELS, ids=case_id)
def test_published_level_means_and_differences(mixed: MixedCase) -> None:
    model = kenward_roger(fit_reml(mixed.y, mixed.X, mixed.groups))
    for name, columns in mixed.levels.items():
        effects = mixed.rows(columns)
        effects = np.vstack([effects, -effects.sum(axis=0)])
        means = contrasts(model, effects + mixed.rows([0]))
        mixed.check(f"emmeans {name} estimate", means.estimate)
        mixed.check(f"emmeans {name} se_kr", means.std_error)
        mixed.check(f"emmeans {name} df_kr", means.df)
        q = len(effects)
        rows = np.array([effects[i] - effects[j] for i in range(q) for j in range(i + 1, q)])
        pairs = contrasts(model, rows)
        for what, values in {
            "estimate": pairs.estimate,
            "se_kr": pairs.std_error,
            "df_kr": pairs.df,
        }.items():
            mixed.check(f"pairs {name} {what}", values[0] if q == 2 else values)


@given(seed=st.integers(0, 10**6), ratio=st.sampled_from([0, 1, 20]))
@settings(max_examples=25, deadline=None)
def test_agrees_with_the_formulas_of_the_paper(seed: int, ratio: float) -> None:
    # Ratio 0 gives a zero component in more than half the draws.
    fit = unbalanced_fit(seed, ratio)
    model = kenward_roger(fit)
    for L in (np.eye(5)[1:2], np.eye(5)[1:4], np.eye(5)[2:5]):
        found = f_test(model, L)
        expected = paper_test(fit, L)
        np.testing.assert_allclose([found.F, found.den_df, found.scale], expected, rtol=1e-6)


@CASES
def test_slopes_are_derivatives_of_the_covariance(mixed: MixedCase) -> None:
    fit = fit_reml(mixed.y, mixed.X, mixed.groups)
    slopes = kenward_roger(fit).slopes

    def phi(components: np.ndarray) -> np.ndarray:
        V_inverse = np.linalg.inv(covariance_of_y(components, fit.groups))
        return np.linalg.inv(fit.X.T @ V_inverse @ fit.X)

    for slope, h in zip(slopes, np.diag(1e-4 * fit.components), strict=True):
        numeric = (phi(fit.components + h) - phi(fit.components - h)) / (2 * h.sum())
        np.testing.assert_allclose(slope, numeric, rtol=1e-5, atol=1e-7 * abs(slope).max())


@pytest.mark.parametrize("make", [kenward_roger, satterthwaite])
def test_balanced_split_plot_is_the_exact_analysis(make, rng: np.random.Generator) -> None:
    # Indices: repeat of the level, level of the hard factor, of the easy one, run.
    y = 3 * rng.normal(size=(2, 3, 1, 1)) + rng.normal(size=(2, 3, 2, 2))
    a, b = np.indices(y.shape)[1].ravel(), np.indices(y.shape)[2].ravel()
    X = np.column_stack([np.ones(24), a == 1, a == 2, b, (a == 1) * b, (a == 2) * b])
    model = make(fit_reml(y.ravel(), X, [np.repeat(np.arange(6), 4)]))

    plots = y.mean(axis=(2, 3))
    plot_ms = 4 * plots.var(axis=0, ddof=1).mean()  # 3 df
    # Equal-weight main effect of the hard factor: its coefficients plus half the interaction.
    whole = f_test(model, [[0, 1, 0, 0, 0.5, 0], [0, 0, 1, 0, 0, 0.5]])
    np.testing.assert_allclose(whole.F, 8 * plots.mean(axis=0).var(ddof=1) / plot_ms, rtol=1e-6)
    np.testing.assert_allclose([whole.den_df, whole.scale], [3, 1], rtol=1e-6)

    steps = np.diff(y.mean(axis=3), axis=2)[..., 0]
    run_ss = ((y - y.mean(axis=3, keepdims=True)) ** 2).sum() + steps.var(axis=0, ddof=1).sum()
    interaction = f_test(model, np.eye(6)[4:])
    F = 2 * steps.mean(axis=0).var(ddof=1) / (run_ss / 15)
    np.testing.assert_allclose([interaction.F, interaction.den_df], [F, 15], rtol=1e-6)


def test_without_random_factors_it_is_the_usual_t_and_f(rng: np.random.Generator) -> None:
    X = np.column_stack([np.ones(14), rng.normal(size=(14, 3))])
    fit = fit_reml(rng.normal(size=14), X)
    for model in (kenward_roger(fit), satterthwaite(fit)):
        np.testing.assert_allclose(model.adjusted, fit.covariance, rtol=1e-9)
        np.testing.assert_allclose(contrast_df(model, rng.normal(size=(5, 4))), 10, rtol=1e-9)
        test = f_test(model, np.eye(4)[1:])
        reduced = ((fit.y - fit.y.mean()) ** 2).sum()
        s2 = fit.components[0]
        F = (reduced - 10 * s2) / 3 / s2
        np.testing.assert_allclose([test.F, test.den_df, test.scale], [F, 10, 1], rtol=1e-9)
        assert test.p == pytest.approx(stats.f.sf(F, 3, 10))


@given(seed=st.integers(0, 10**6))
@settings(max_examples=20, deadline=None)
def test_a_test_depends_on_the_span_of_its_rows_only(seed: int) -> None:
    rng = np.random.default_rng(seed)
    model = kenward_roger(unbalanced_fit(seed))
    L = rng.normal(size=(2, 5))
    test, mixed = f_test(model, L), f_test(model, rng.normal(size=(2, 2)) @ L)
    tripled = f_test(model, np.vstack([L, L[0] - 3 * L[1], 1e6 * L[0]]))
    assert tripled.num_df == 2
    for other in (mixed, tripled):
        np.testing.assert_allclose([other.F, other.den_df], [test.F, test.den_df], rtol=1e-5)
    one, t = f_test(model, L[:1]), contrasts(model, L[:1])
    np.testing.assert_allclose([one.F, one.den_df, one.p], [t.t[0] ** 2, t.df[0], t.p[0]])


@given(seed=st.integers(0, 10**6), ratio=st.sampled_from([0, 1]))
@settings(max_examples=20, deadline=None)
def test_adjustment_never_shrinks_a_standard_error(seed: int, ratio: float) -> None:
    model = kenward_roger(unbalanced_fit(seed, ratio))
    growth = np.linalg.eigvalsh(model.adjusted - model.covariance)
    assert growth[0] > -1e-12 * growth[-1] - 1e-12


def test_few_whole_plots_give_a_usable_test() -> None:
    # Two denominator df or fewer, unequal plots: the matched F has no mean.
    rng = np.random.default_rng(5)
    plot = np.repeat(np.arange(4), [5, 2, 4, 6])
    a = np.array([-1, 0, 1, 1.0])[plot]
    X = np.column_stack([np.ones(17), a, a * a])
    for _ in range(30):
        y = rng.normal(size=17) + 3 * rng.normal(size=4)[plot]
        test = f_test(kenward_roger(fit_reml(y, X, [plot])), np.eye(3)[1:])
        assert test.F >= 0
        assert test.den_df > 0.9
        assert 0 < test.p <= 1


def test_satterthwaite_takes_the_expected_information_at_zero() -> None:
    fits = [unbalanced_fit(seed, ratio=0) for seed in range(12)]
    for fit in fits:
        df = contrast_df(satterthwaite(fit), np.eye(5))
        same = np.allclose(df, contrast_df(kenward_roger(fit), np.eye(5)), rtol=1e-9)
        assert same == fit.at_zero[0]
    assert 0 < sum(fit.at_zero[0] for fit in fits) < 12


def test_a_zero_component_costs_degrees_of_freedom() -> None:
    y = np.array([1.0, 2.0, 3.0, 3.0, 2.0, 1.0, 1.0, 3.0, 2.0])
    fit = fit_reml(y, np.ones((9, 1)), [np.repeat([0, 1, 2], 3)])
    assert fit.at_zero[0]
    # The mean keeps the 2 df of its three groups.
    np.testing.assert_allclose(contrast_df(kenward_roger(fit), [1.0]), [2], rtol=1e-9)


def test_bad_rows_are_refused(rng: np.random.Generator) -> None:
    model: SmallSample = kenward_roger(unbalanced_fit(1))
    with pytest.raises(ValueError, match=r"shape \(m, 5\)"):
        f_test(model, np.eye(4))
    with pytest.raises(ValueError, match="rows 1, 2 of L are zero or not finite"):
        contrasts(model, [[1, 0, 0, 0, 0], [0] * 5, [np.nan, 0, 0, 0, 0]])
    with pytest.raises(ValueError, match="write 95 %"):
        contrasts(model, np.eye(5), confidence=95)
