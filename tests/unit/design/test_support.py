"""What runs can support: estimable terms by brute force, and remedies in words."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.design.composite import central_composite
from kit.design.factorial import full_factorial
from kit.design.support import support
from kit.terms import CodedFactor, Coding, expand_terms, model_matrix

TWO = Coding((CodedFactor("nozzle"), CodedFactor("fan")))
THREE = Coding((*TWO.factors, CodedFactor("speed")))


@settings(deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(2, 14), k=st.integers(1, 3))
def test_what_is_called_estimable_is_a_full_rank_model(seed: int, n: int, k: int) -> None:
    coding = Coding(THREE.factors[:k])
    coded = np.random.default_rng(seed).integers(-1, 2, size=(n, k)).astype(float)
    terms = expand_terms(coding, "second_order")
    found = support(coding, terms, coded)
    kept = [t for t in terms if t.name in found.estimable]
    X = model_matrix(coding, kept, coded) if kept else np.empty((n, 0))
    full = model_matrix(coding, terms, coded)
    assert set(found.estimable) | set(found.not_estimable) == {t.name for t in terms}
    assert np.linalg.matrix_rank(X) == X.shape[1]
    assert found.residual_df == n - np.linalg.matrix_rank(full)
    assert (not found.not_estimable) == (np.linalg.matrix_rank(full) == full.shape[1])


def test_a_composite_supports_a_second_order_model() -> None:
    plan = central_composite(THREE, centre_points=4, blocks=3)
    found = support(THREE, expand_terms(THREE, "second_order"), plan.coded, plan.block.tolist())
    assert found.complete
    assert found.residual_df == 18 - 10 - 2
    assert found.sentences == ()


def test_centre_points_see_curvature_of_one_factor_but_not_of_two() -> None:
    one = Coding(TWO.factors[:1])
    plan = full_factorial(one, centre_points=2)
    assert support(one, expand_terms(one, "second_order"), plan.coded).complete
    plan = full_factorial(TWO, centre_points=2)
    found = support(TWO, expand_terms(TWO, "second_order"), plan.coded)
    assert found.not_estimable == ("nozzle^2", "fan^2")
    assert "not of which factor (nozzle and fan)" in found.sentences[0]


def test_higher_terms_are_given_up_before_main_effects() -> None:
    half = np.array([[-1, -1, 1], [1, -1, -1], [-1, 1, -1], [1, 1, 1.0]])
    found = support(THREE, expand_terms(THREE, "interactions"), half)
    assert found.estimable == ("intercept", "nozzle", "fan", "speed")
    assert found.residual_df == 0
    assert any("nozzle:fan cannot be told from speed" in s for s in found.sentences)


def test_a_factor_that_does_not_vary_is_named() -> None:
    coded = np.array([[-1, 1], [1, 1], [-1, 1], [1, 1.0]])
    found = support(TWO, expand_terms(TWO, "main"), coded)
    assert "fan" in found.not_estimable
    assert "intercept" in " ".join(found.sentences)


def test_blocks_that_take_an_interaction_are_named() -> None:
    plan = full_factorial(THREE, blocks=2)
    terms = expand_terms(THREE, ["nozzle", "fan", "speed", "nozzle:fan:speed"])
    found = support(THREE, terms, plan.coded, plan.block.tolist())
    assert found.not_estimable == ("nozzle:fan:speed",)
    assert "cannot be told from the blocks: use fewer blocks" in found.sentences[0]
