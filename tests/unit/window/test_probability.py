"""The chance to meet requirements: closed forms, margins, Monte Carlo, and what must always hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from kit.model.predict import part_distribution
from kit.study.description import Factor, Response
from kit.window.probability import chance_to_meet, forecast, group_alike, interval_chance
from tests.unit.window.made import composite, demo_surfaces, fit_by_hand, made_study, three_factors
from tests.unit.window.truths import draw_truth, printed

SOME = np.array([[0.0, 0, 0], [0.5, -0.5, 0.25], [1, 1, 1], [-1, 0.5, 1], [0.75, -1, -0.5]])


def with_limits(surfaces, name, **limits):
    surface = surfaces[name]
    response = surface.response.model_copy(update={"lower": None, "upper": None, **limits})
    return {**surfaces, name: replace(surface, response=response)}


def only(surfaces, *names):
    return {n: surfaces[n] for n in names}


def test_one_response_is_student_t_worked_by_hand():
    """Straight line through 5 prints at -1, -1, 0, 1, 1: all by hand.

    b0 = 10, b1 = 2, residuals 1, -1, 0, 1, -1: s2 = 4/3 on 3 df; at x = 0.5, h = 1/5 + 0.25/4.
    """
    study = made_study(
        [Factor(name="x", low=-1, high=1)], [Response(name="y", lower=9.0, upper=14.0)]
    )
    points = np.array([[-1.0], [-1], [0], [1], [1]])
    y = np.array([9.0, 7, 10, 13, 11])
    surfaces = fit_by_hand(study, points, {"y": y}, terms="main")
    scale = np.sqrt(4 / 3 * (1 + 0.2 + 0.25 / 4))
    expected = stats.t.cdf(3 / scale, 3) - stats.t.cdf(-2 / scale, 3)
    assert chance_to_meet(surfaces, np.array([[0.5]]))[0] == pytest.approx(expected, rel=1e-12)
    one_sided = with_limits(surfaces, "y", lower=9.0)
    assert chance_to_meet(one_sided, np.array([[0.5]]))[0] == pytest.approx(
        stats.t.sf(-2 / scale, 3)
    )


def test_specimen_scatter_widens_one_part():
    """m = 4 specimens a print, s2 = 4/3 on 3 df, s2_specimen = 2 on 15 df: Satterthwaite by hand."""
    study = made_study([Factor(name="x", low=-1, high=1)], [Response(name="y", lower=9.0)])
    points = np.array([[-1.0], [-1], [0], [1], [1]])
    y = np.array([9.0, 7, 10, 13, 11])
    surfaces = fit_by_hand(study, points, {"y": y}, terms="main", specimens={"y": (4.0, 2.0, 15.0)})
    mean_part, below = 4 / 3 * 1.2625, 2 * 0.75
    df = (mean_part + below) ** 2 / (mean_part**2 / 3 + below**2 / 15)
    expected = stats.t.sf(-2 / np.sqrt(mean_part + below), df)
    assert chance_to_meet(surfaces, np.array([[0.5]]))[0] == pytest.approx(expected, rel=1e-10)


def test_joint_chance_is_the_multivariate_t():
    surfaces, _ = demo_surfaces(noise=3.0)
    found = chance_to_meet(surfaces, SOME)
    lower, upper = np.array([30, -0.15, 55.0]), np.array([np.inf, 0.15, np.inf])
    residuals = np.column_stack([s.observations["residual"] for s in surfaces.values()])
    df = surfaces["gloss"].residual_df
    S = residuals.T @ residuals / df
    for at, chance in zip(SOME, found, strict=True):
        row = surfaces["gloss"].rows(at[None])[0]
        h = row @ surfaces["gloss"].unscaled @ row
        mean = np.array([row @ s.coefficients for s in surfaces.values()])
        # scipy integrates by randomised lattices: an independent route, good to about 1e-4.
        t = stats.multivariate_t(mean, S * (1 + h), df=df, seed=1)
        expected = t.cdf(np.where(np.isinf(upper), 1e6, upper), lower_limit=lower, maxpts=200_000)
        assert chance == pytest.approx(expected, abs=3e-4)


def test_joint_chance_agrees_with_simulated_parts(rng):
    """Draw the scatter and the coefficients, then the part, as the prior in the notes says."""
    surfaces, _ = demo_surfaces(noise=3.0)
    at = SOME[1]
    residuals = np.column_stack([s.observations["residual"] for s in surfaces.values()])
    df = int(surfaces["gloss"].residual_df)
    q, n = 3, 100_000
    # scipy's inverse Wishart: density ~ det^-(nu+q+1)/2; the prior det^-q gives nu = n - p + q - 1.
    sigma = stats.invwishart(df + q - 1, residuals.T @ residuals).rvs(n, random_state=rng)
    row = surfaces["gloss"].rows(at[None])[0]
    h = row @ surfaces["gloss"].unscaled @ row
    mean = np.array([row @ s.coefficients for s in surfaces.values()])
    root = np.linalg.cholesky(sigma)
    part = mean + np.sqrt(1 + h) * np.einsum("nij,nj->ni", root, rng.standard_normal((n, q)))
    good = (part[:, 0] >= 30) & (np.abs(part[:, 1]) <= 0.15) & (part[:, 2] >= 55)
    assert chance_to_meet(surfaces, at[None])[0] == pytest.approx(
        good.mean(), abs=4 * 0.5 / np.sqrt(n)
    )


@pytest.mark.parametrize(
    "specimens", [None, {"gloss": (3.0, 4.0, 36.0), "strength": (2.0, 1.0, 18.0)}]
)
def test_margins_of_the_joint_chance_are_the_single_chances(specimens):
    surfaces, study = demo_surfaces(noise=3.0)
    if specimens:
        values = {n: s.observations["value"].to_numpy() for n, s in surfaces.items()}
        surfaces = fit_by_hand(study, composite(3), values, specimens=specimens)
    for name in surfaces:
        others = surfaces
        for other in surfaces:
            if other != name:
                # so wide that they are always met, yet still limits for the integral
                others = with_limits(others, other, lower=-1e9, upper=1e9)
        np.testing.assert_allclose(
            chance_to_meet(others, SOME), chance_to_meet(only(surfaces, name), SOME), atol=1e-6
        )
        assert forecast(others, SOME).groups[0].members == (0, 1, 2)


def test_one_response_equals_the_predictive_distribution_of_the_fit():
    surfaces, _ = demo_surfaces()
    mean, scale, df = part_distribution(surfaces["gloss"], SOME)
    np.testing.assert_allclose(
        chance_to_meet(only(surfaces, "gloss"), SOME),
        stats.t.sf((30 - mean) / scale, df),
        rtol=1e-10,
    )


def test_correlation_matters_and_the_product_is_on_request():
    surfaces, _ = demo_surfaces(noise=3.0)
    alone = [chance_to_meet(only(surfaces, n), SOME) for n in surfaces]
    product = chance_to_meet(surfaces, SOME, joint=False)
    np.testing.assert_allclose(product, np.prod(alone, axis=0), rtol=1e-12)
    assert np.abs(product - chance_to_meet(surfaces, SOME)).max() > 0.01


def test_unlike_models_are_tied_and_the_product_is_on_request():
    surfaces, study = demo_surfaces(noise=3.0)
    points = composite(3)
    y = surfaces["width"].observations["value"].to_numpy()
    other = fit_by_hand(study, points, {"width": y}, terms="main")
    mixed = {**surfaces, **other}
    foretold = forecast(mixed, SOME)
    assert [g.members for g in foretold.groups] == [(0, 2), (1,)]
    assert [c.members for c in foretold.clusters] == [(0, 2, 1)]
    pair = chance_to_meet(only(mixed, "gloss", "strength"), SOME)
    np.testing.assert_allclose(foretold.without("width").chance(), pair, atol=1e-6)
    alone = [chance_to_meet(only(mixed, n), SOME) for n in mixed]
    product = chance_to_meet(mixed, SOME, joint=False)
    np.testing.assert_allclose(product, np.prod(alone, axis=0), rtol=1e-12)
    assert np.abs(product - foretold.chance()).max() > 0.01
    fewer = fit_by_hand(study, points[1:], {"width": y[1:]})
    assert [g.members for g in forecast({**surfaces, **fewer}, SOME).groups] == [(0, 2), (1,)]


def test_more_responses_than_spare_runs_are_multiplied():
    study = made_study(
        three_factors()[:1], [Response(name=n, lower=-1.0, upper=1.0) for n in "abc"]
    )
    y = dict(zip("abc", np.random.default_rng(1).normal(size=(3, 5)), strict=True))
    surfaces = fit_by_hand(study, np.array([[-1.0], [-1], [0], [1], [1]]), y)
    assert surfaces["a"].residual_df == 2
    assert [g.members for g in group_alike(list(surfaces.values()))] == [(0,), (1,), (2,)]


def test_only_limits_count_and_drop_leaves_one_out():
    surfaces, _ = demo_surfaces()
    unlimited = with_limits(surfaces, "width", target=0.0)
    np.testing.assert_allclose(
        chance_to_meet(unlimited, SOME), chance_to_meet(surfaces, SOME, drop="width"), rtol=1e-12
    )
    nothing = only(with_limits(surfaces, "gloss"), "gloss")
    with pytest.raises(ValueError, match="no requirement is stated"):
        chance_to_meet(nothing, SOME)


def test_forecast_without_a_requirement_equals_dropping_it():
    surfaces, _ = demo_surfaces(noise=2.0)
    f = forecast(surfaces, SOME)
    for name in f.names:
        np.testing.assert_allclose(
            f.without(name).chance(), chance_to_meet(surfaces, SOME, drop=name), atol=2e-6
        )
    rows = np.array([3, 0])
    np.testing.assert_allclose(f.take(rows).chance(), f.chance()[rows], rtol=1e-12)


def test_a_fit_without_scatter_is_met_or_not():
    study = made_study([Factor(name="x", low=-1, high=1)], [Response(name="y", lower=2.0)])
    points = np.array([[-1.0], [-1], [0], [1], [1]])
    surfaces = fit_by_hand(study, points, {"y": 2 + points[:, 0]}, terms="main")
    surfaces = {"y": replace(surfaces["y"], residual_variance=0.0, covariance=np.zeros((2, 2)))}
    np.testing.assert_allclose(
        chance_to_meet(surfaces, np.array([[-0.5], [0.5]])), [0, 1], atol=1e-12
    )


def test_a_response_and_its_double_in_other_units_give_the_chance_of_one():
    surfaces, _ = demo_surfaces()
    gloss = surfaces["gloss"]
    doubled = made_study(three_factors(), [gloss.response, Response(name="again", lower=60.0)])
    y = gloss.observations["value"].to_numpy()
    both = fit_by_hand(doubled, composite(3), {"gloss": y, "again": 2 * y})
    np.testing.assert_allclose(
        chance_to_meet(both, SOME), chance_to_meet(only(surfaces, "gloss"), SOME), atol=1e-5
    )


@given(st.integers(0, 500), st.floats(0, 1), st.sampled_from(["gloss", "width", "strength"]))
@settings(max_examples=25, deadline=None)
def test_loosening_a_limit_never_lowers_the_chance(seed, by, name):
    surfaces, _ = demo_surfaces(seed, noise=3.0)
    response = surfaces[name].response
    size = np.sqrt(surfaces[name].residual_variance) * by
    looser = {"lower": response.lower - size}
    if response.upper is not None:
        looser["upper"] = response.upper + size
    before = chance_to_meet(surfaces, SOME)
    after = chance_to_meet(with_limits(surfaces, name, **looser), SOME)
    assert (after >= before - 1e-6).all()


@given(st.integers(0, 500), st.floats(0.001, 1000))
@settings(max_examples=20, deadline=None)
def test_units_do_not_matter(seed, scale):
    """Millimetres to micrometres, say: values and limits scaled alike change no chance."""
    surfaces, study = demo_surfaces(seed, noise=3.0)
    response = surfaces["width"].response
    scaled = response.model_copy(
        update={"lower": response.lower * scale, "upper": response.upper * scale}
    )
    other = made_study(three_factors(), [study.responses[0], scaled, study.responses[2]])
    values = {n: s.observations["value"].to_numpy(copy=True) for n, s in surfaces.items()}
    values["width"] = values["width"] * scale
    again = fit_by_hand(other, composite(3), values)
    np.testing.assert_allclose(
        chance_to_meet(again, SOME), chance_to_meet(surfaces, SOME), atol=1e-7
    )


def test_tails_keep_their_accuracy():
    found = interval_chance(np.array([40.0, -np.inf]), np.array([np.inf, -40.0]), 5.0)
    np.testing.assert_allclose(found, stats.t.sf(40, 5), rtol=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("straight", "names", "over", "under"),
    [(3.0, "a", 0.03, 0.03), (3.0, "ab", 0.03, 0.03), (1.0, "ab", 0.03, 0.06)],
)
def test_stated_chances_are_calibrated_at_settings_chosen_beforehand(straight, names, over, under):
    """Stated against true chances in ten bins, eight settings a study, drawn beforehand.

    Truths as `truths` says; a bin fails when it is off by more than allowed plus two standard errors.
    No bin promises too much. From 0.5 to 0.9 the chance errs on the careful side, by 0.02 to 0.035:
    the t distribution allows for scatters of any size, the truths here have scatters within a factor
    of six. Where effects are hardly larger than the scatter (straight = 1), a flat prior on them adds
    to that: 0.06.
    """
    rng = np.random.default_rng(5)
    stated, true = [], []
    for _ in range(3000):
        truth = draw_truth(rng, straight=straight, free=() if names == "ab" else ("b",))
        at = rng.uniform(-1, 1, size=(8, 3))
        stated.append(chance_to_meet(truth.readings(rng, printed(3)), at))
        true.append(truth.chance(at))
    off = np.array(stated) - np.array(true)
    for low in np.arange(10) / 10:
        here = (np.array(stated) >= low) & (np.array(stated) <= low + 0.1)
        assert here.sum() > 300
        gap = off[here].mean()
        # Settings of one study share its readings, so the study is the unit of the standard error.
        error = np.sqrt(np.sum(np.where(here, off - gap, 0.0).sum(axis=1) ** 2)) / here.sum()
        assert -under - 2 * error <= gap <= over + 2 * error, (low, gap, error)
