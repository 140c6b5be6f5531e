"""The limits of the chance itself: posterior draws against closed forms and simulated studies."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from kit.study.description import Factor, Response
from kit.window.posterior import probability_draws, probability_interval
from kit.window.probability import chance_to_meet
from tests.unit.window.made import composite, demo_surfaces, fit_by_hand, made_study
from tests.unit.window.truths import draw_truth, printed

AT = np.array([0.5, -0.25, 0.5])


@pytest.mark.parametrize("joint", [True, False])
@pytest.mark.parametrize("noise", [1.0, 3.0])
def test_mean_of_the_draws_is_the_closed_form(noise, joint):
    surfaces, _ = demo_surfaces(noise=noise)
    draws = probability_draws(surfaces, AT, np.random.default_rng(1), draws=20_000, joint=joint)
    closed = chance_to_meet(surfaces, AT[None], joint=joint)[0]
    assert draws.mean() == pytest.approx(closed, abs=4 * draws.std() / np.sqrt(len(draws)) + 1e-5)


def test_one_response_draws_follow_the_textbook_posterior():
    """Straight line, one lower limit: P = Phi((mean - limit) / sd) has a noncentral t behind it.

    With z = (mean - limit)/sd given the data, z sqrt(1/h) is a shifted normal over a chi: its quantiles
    are found from scipy's chi2 and norm by plain simulation of 400,000 draws.
    """
    study = made_study([Factor(name="x", low=-1, high=1)], [Response(name="y", lower=9.0)])
    points = np.array([[-1.0], [-1], [0], [1], [1]])
    surfaces = fit_by_hand(study, points, {"y": np.array([9.0, 7, 10, 13, 11])}, terms="main")
    s2, df, h, mean = 4 / 3, 3, 0.2625, 11.0
    rng = np.random.default_rng(9)
    sigma = np.sqrt(s2 * df / stats.chi2(df).rvs(400_000, random_state=rng))
    mu = mean + sigma * np.sqrt(h) * rng.standard_normal(len(sigma))
    plain = stats.norm.sf((9.0 - mu) / sigma)
    draws = probability_draws(surfaces, np.array([0.5]), np.random.default_rng(2), draws=100_000)
    np.testing.assert_allclose(
        np.quantile(draws, [0.025, 0.25, 0.5, 0.75]),
        np.quantile(plain, [0.025, 0.25, 0.5, 0.75]),
        atol=0.006,
    )


def test_specimen_scatter_enters_the_draws():
    """The closed form is Satterthwaite's approximation here, so agreement is to 0.01, not exact."""
    surfaces, study = demo_surfaces(noise=2.0)
    values = {n: s.observations["value"].to_numpy() for n, s in surfaces.items()}
    made = {"gloss": (3.0, 20.0, 36.0), "strength": (2.0, 6.0, 18.0)}
    wider = fit_by_hand(study, composite(3), values, specimens=made)
    draws = probability_draws(wider, AT, np.random.default_rng(1), draws=20_000)
    closed = chance_to_meet(wider, AT[None])[0]
    assert closed < chance_to_meet(surfaces, AT[None])[0] - 0.003
    assert draws.mean() == pytest.approx(closed, abs=0.01)


def test_a_mixed_model_keeps_its_degrees_of_freedom_and_block_variance():
    surfaces, _ = demo_surfaces(noise=2.0)
    gloss = surfaces["gloss"]
    mixed = replace(
        gloss, method="mixed model", residual_df=6.0, variance=replace(gloss.variance, block=9.0)
    )
    draws = probability_draws({"gloss": mixed}, AT, np.random.default_rng(1), draws=50_000)
    closed = chance_to_meet({"gloss": mixed}, AT[None])[0]
    assert closed < chance_to_meet({"gloss": gloss}, AT[None])[0]
    assert draws.mean() == pytest.approx(closed, abs=4 * draws.std() / np.sqrt(len(draws)))


def test_responses_that_follow_from_each_other_do_no_harm():
    surfaces, _ = demo_surfaces()
    gloss = surfaces["gloss"]
    study = made_study(
        [*demo_surfaces()[1].factors], [gloss.response, Response(name="again", lower=60.0)]
    )
    y = gloss.observations["value"].to_numpy()
    both = fit_by_hand(study, composite(3), {"gloss": y, "again": 2 * y})
    low, high = probability_interval(both, AT, np.random.default_rng(1))
    one = probability_interval({"gloss": gloss}, AT, np.random.default_rng(1))
    np.testing.assert_allclose([low, high], one, atol=0.01)


def test_interval_brackets_the_chance_and_is_repeatable():
    surfaces, study = demo_surfaces(noise=2.0)
    chance = chance_to_meet(surfaces, AT[None])[0]
    low, high = probability_interval(surfaces, AT, np.random.default_rng(study.seed))
    assert 0 <= low < chance < high <= 1
    assert (low, high) == probability_interval(surfaces, AT, np.random.default_rng(study.seed))
    narrow = probability_interval(surfaces, AT, np.random.default_rng(study.seed), level=0.5)
    assert low < narrow[0] < narrow[1] < high


def test_without_requirement_every_draw_is_one():
    surfaces, _ = demo_surfaces()
    free = surfaces["gloss"].response.model_copy(update={"lower": None})
    draws = probability_draws(
        {"gloss": replace(surfaces["gloss"], response=free)}, AT, np.random.default_rng(1), draws=10
    )
    np.testing.assert_array_equal(draws, 1.0)


def test_four_thousand_draws_are_quick():
    surfaces, _ = demo_surfaces()
    probability_draws(surfaces, AT, np.random.default_rng(1))  # tables are built once
    began = time.perf_counter()
    probability_draws(surfaces, AT, np.random.default_rng(1))
    assert time.perf_counter() - began < 1.5  # 0.1 s alone on the machine; room for a busy one


@pytest.mark.slow
def test_interval_covers_the_true_chance_at_a_setting_chosen_beforehand():
    """95 % limits of the chance over 1,000 studies (`truths`): within 92.5 to 97.5 %."""
    rng = np.random.default_rng(17)
    at = np.array([0.3, -0.6, 0.5])
    covered = []
    for _ in range(1000):
        truth = draw_truth(rng, straight=3.0)
        low, high = probability_interval(truth.readings(rng, printed(3)), at, rng)
        covered.append(low - 1e-9 <= truth.chance(at[None])[0] <= high + 1e-9)
    assert 0.925 <= np.mean(covered) <= 0.975
