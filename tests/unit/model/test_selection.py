"""Terms selected by AICc: against hand-made AICc, always hierarchical, and as optimistic as is said."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.regression.linear_model import OLS

from kit.errors import ModelError
from kit.model import selection
from kit.model.fit import fit_surface
from kit.model.least_squares import fit_least_squares
from kit.model.selection import Selection, select_terms
from kit.model.selection_words import selection_caution, selection_sentences
from kit.model.surface import Surface
from kit.study.description import ModelChoice
from kit.terms import (
    CodedFactor,
    Coding,
    FloatArray,
    Term,
    expand_terms,
    missing_parents,
    model_matrix,
)
from tests.reference.cases import load_case
from tests.unit.model.builders import (
    coded_factors,
    composite,
    make_measured,
    make_runs,
    make_study,
)


def scales(k: int) -> Coding:
    return Coding(tuple(CodedFactor(f"x{i + 1}", -1.0, 1.0) for i in range(k)))


def aicc(X: FloatArray, y: FloatArray) -> float:
    """AICc by statsmodels' likelihood, the variance counted as a coefficient."""
    fit = OLS(y, X).fit()
    k, n = X.shape[1] + 1, len(y)
    # Its likelihood holds the constant n (log 2 pi + 1), which no comparison needs.
    return -2 * float(fit.llf) - n * (np.log(2 * np.pi) + 1) + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def choose(
    coding: Coding, coded: FloatArray, y: FloatArray, terms: str = "second_order"
) -> Selection:
    return select_terms(coding, expand_terms(coding, terms), coded, np.zeros((len(y), 0)), y)


def test_a_published_composite() -> None:
    """The 13-run chemical yield composite: every hierarchical model by statsmodels, and the least of them."""
    table = load_case("r01_chemical_ccd_yield").table()
    coded = table[["x1", "x2"]].to_numpy(dtype=float)
    y = table["yield"].to_numpy(dtype=float)
    coding = scales(2)
    terms = expand_terms(coding, "second_order")
    found = {}
    for keep in product((False, True), repeat=5):
        kept = [t for t, k in zip(terms[1:], keep, strict=True) if k]
        if not missing_parents(kept, coding):
            X = model_matrix(coding, [terms[0], *kept], coded)
            found[tuple(t.name for t in kept)] = aicc(X, y)
    assert len(found) == 13
    chosen = choose(coding, coded, y)
    best = min(found, key=found.__getitem__)
    assert chosen.kept == best
    assert chosen.models == 13
    assert chosen.aicc == pytest.approx(found[best], abs=1e-8)
    assert chosen.aicc_full == pytest.approx(found[tuple(t.name for t in terms[1:])], abs=1e-8)
    near = sorted(v - found[best] for v in found.values() if 0 < v - found[best] <= 2)
    assert [r.difference for r in chosen.runners_up] == pytest.approx(near)


def is_hierarchical(kept: tuple[Term, ...], asked: tuple[Term, ...], coding: Coding) -> bool:
    names = {t.name for t in kept}
    possible = {t.name for t in asked}
    return not any(p in possible for p in missing_parents(kept, coding) if p not in names)


@given(st.integers(0, 10_000), st.booleans())
@settings(max_examples=40, deadline=None)
def test_always_hierarchical_and_categories_whole(seed: int, stepwise: bool) -> None:
    rng = np.random.default_rng(seed)
    coding = Coding((*scales(2).factors, CodedFactor("spool", levels=("white", "pink", "blue"))))
    coded = np.column_stack(
        [rng.integers(-1, 2, size=(30, 2)), rng.integers(0, 3, size=30)]
    ).astype(float)
    terms = expand_terms(coding, "second_order")
    y = rng.normal(size=30) + 2 * coded[:, 0] * coded[:, 1]
    most = selection.MOST_MODELS
    try:
        selection.MOST_MODELS = 3 if stepwise else most
        found = select_terms(coding, terms, coded, np.zeros((30, 0)), y)
    finally:
        selection.MOST_MODELS = most
    assert found.all_tried is not stepwise
    assert is_hierarchical(found.terms, terms, coding)
    names = [t.name for t in found.terms]
    assert ("spool=pink" in names) == ("spool=blue" in names)
    assert found.terms[0].name == "intercept"
    assert found.aicc <= found.aicc_full
    assert [n for n in names if n in {t.name for t in terms}] == names


@given(st.integers(0, 10_000))
@settings(max_examples=15, deadline=None)
def test_steps_seldom_miss_and_never_beat_all_models(seed: int) -> None:
    rng = np.random.default_rng(seed)
    coding, coded = scales(3), composite(k=3, centre=6).to_numpy()
    y = coded @ [2.0, 1.0, 0.0] + coded[:, 0] * coded[:, 1] + rng.normal(size=len(coded))
    whole = choose(coding, coded, y)
    most = selection.MOST_MODELS
    try:
        selection.MOST_MODELS = 3
        steps = choose(coding, coded, y)
    finally:
        selection.MOST_MODELS = most
    assert whole.models == 95
    assert steps.aicc >= whole.aicc - 1e-9
    assert steps.models < 95


def test_blocks_stay_in() -> None:
    rng = np.random.default_rng(1)
    coding, coded = scales(2), pd.concat([composite()] * 2).to_numpy()
    block = np.repeat([-1.0, 1.0], 12)[:, None]
    y = 3 * coded[:, 0] + 5 * block[:, 0] + rng.normal(size=24)
    found = select_terms(coding, expand_terms(coding, "second_order"), coded, block, y)
    kept = model_matrix(coding, found.terms, coded)
    assert found.aicc == pytest.approx(aicc(np.column_stack([kept, block]), y))
    assert found.kept[0] == "x1"


def test_too_few_prints() -> None:
    with pytest.raises(ModelError, match="too few to select terms"):
        choose(scales(1), np.array([[-1.0], [0.0], [1.0]]), np.array([1.0, 2.0, 4.0]))


def fitted(y: FloatArray, runs: pd.DataFrame, **model: object) -> Surface:
    study = make_study(coded_factors(), unit="MPa")
    study = study.model_copy(update={"model": ModelChoice(selection="aicc", **model)})
    return fit_surface(make_measured(study, runs, y), runs, study)


def test_the_surface_is_that_of_the_selected_terms() -> None:
    runs = make_runs(composite(k=2, centre=5))
    x1 = runs["x1"].to_numpy()
    y = 20 + 5 * x1 + np.random.default_rng(2).normal(size=len(runs))
    surface = fitted(y, runs)
    assert surface.selection is not None
    assert [t.name for t in surface.terms] == ["intercept", *surface.selection.kept]
    plain = fit_least_squares(surface.design, y)
    np.testing.assert_allclose(surface.coefficients, plain.coefficients)
    assert surface.residual_df == plain.df
    (caution,) = selection_caution(surface)
    assert caution.startswith("Caution, optimistic")
    assert "x2" in caution
    assert "That is no proof that they do nothing" in selection_sentences(surface)[1]


def test_a_model_without_spare_prints_can_be_thinned() -> None:
    runs = make_runs(composite(k=2, centre=1).iloc[[0, 1, 2, 3, 4, 8]].reset_index(drop=True))
    runs = pd.concat([runs, runs.iloc[[0]]], ignore_index=True)
    runs["run"] = [str(i) for i in range(len(runs))]
    y = 20 + 5 * runs["x1"].to_numpy() + np.array([0.1, -0.2, 0.1, 0.05, -0.1, 0.2, -0.1])
    surface = fitted(y, runs)
    assert surface.selection.aicc_full == np.inf
    assert "x1" in surface.selection.kept


def test_no_limits_and_no_groups_beside_it() -> None:
    runs = make_runs(composite(centre=6), block=[1] * 7 + [2] * 7)
    y = np.random.default_rng(3).normal(size=14)
    with pytest.raises(ModelError, match="random groups of prints"):
        fitted(y, runs, blocks="random")
    study = make_study(coded_factors())
    study = study.model_copy(update={"model": ModelChoice(selection="aicc", blocks="none")})
    measured = make_measured(study, runs, y)
    measured.prints["censored"] = y > 1
    with pytest.raises(ModelError, match="prints at the limit"):
        fit_surface(measured, runs, study)


@pytest.mark.slow
def test_it_is_as_optimistic_as_it_says() -> None:
    """Limits after selection hold far less often than 95 %, those of the whole model as often as they should."""
    coding, coded = scales(3), composite(k=3, centre=6).to_numpy()
    terms = expand_terms(coding, "second_order")
    X, names = model_matrix(coding, terms, coded), [t.name for t in terms]
    errors = np.sqrt(np.diag(np.linalg.inv(X.T @ X)))
    rng, rounds = np.random.default_rng(5), 1500
    held = np.zeros((2, 2))
    for _ in range(rounds):
        beta = np.concatenate([[50], rng.normal(size=3), rng.normal(size=6) * errors[4:]])
        y = X @ beta + rng.normal(size=len(X))
        at = model_matrix(coding, terms, rng.choice(np.linspace(-1, 1, 9), size=(1, 3)))[0]
        future = at @ beta + rng.normal()
        kept = [names.index(t.name) for t in choose(coding, coded, y).terms]
        for way, columns in enumerate((list(range(10)), kept)):
            fit = fit_least_squares(X[:, columns], y)
            mean, h = at[columns] @ fit.coefficients, at[columns] @ fit.unscaled @ at[columns]
            reach = stats.t.ppf(0.975, fit.df) * np.sqrt(float(fit.variance))
            held[way] += [
                abs(mean - at @ beta) <= reach * np.sqrt(h),
                abs(mean - future) <= reach * np.sqrt(1 + h),
            ]
    whole, selected = held / rounds
    assert np.all(np.abs(whole - 0.95) < 0.02)
    assert 0.74 < selected[0] < 0.86  # "about 80 times in 100" on the page
    assert 0.90 < selected[1] < 0.945
