"""Responses tied across models: the like case, margins, bounds, simulation of the copula, posterior draws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from kit.model.surface import Surface
from kit.window.grouping import Group, group_alike
from kit.window.posterior import probability_draws
from kit.window.probability import Cluster, chance_to_meet, forecast
from kit.window.region import find_window
from kit.window.ties import fitting_together, tie_groups
from tests.unit.window.made import demo_surfaces, fit_by_hand
from tests.unit.window.made_unlike import outcome, renamed, unlike, with_blocks
from tests.unit.window.truths import draw_truth, printed

SOME = np.random.default_rng(0).uniform(-1, 1, (40, 3))


def apart(surfaces: dict[str, Surface]) -> tuple[Group, ...]:
    return tuple(
        replace(group_alike([s])[0], members=(i,)) for i, s in enumerate(surfaces.values())
    )


def test_like_models_forced_apart_are_the_multivariate_t_again() -> None:
    surfaces, _ = demo_surfaces(noise=2.0)
    fitted = list(surfaces.values())
    (tied,) = tie_groups(fitted, apart(surfaces))
    np.testing.assert_allclose(tied.correlation, group_alike(fitted)[0].correlation, atol=1e-12)
    foretold = forecast(surfaces, SOME, joint=False)
    correlation = tied.part_correlation(fitted, SOME, foretold.scale)
    cluster = Cluster(tied.members, correlation, tied.df, tied.correlation)
    again = replace(foretold, clusters=(cluster,)).chance()
    np.testing.assert_allclose(again, chance_to_meet(surfaces, SOME), atol=1e-12)
    assert np.abs(foretold.chance() - again).max() > 0.01  # the product would be off


def test_every_response_keeps_its_own_chance_and_the_bounds_hold() -> None:
    surfaces, _ = unlike()
    foretold = forecast(surfaces, SOME)
    assert [c.members for c in foretold.clusters] == [(0, 1)]
    for i, name in enumerate(surfaces):
        own = chance_to_meet({name: surfaces[name]}, SOME)
        np.testing.assert_allclose(foretold.alone[:, i], own, rtol=1e-12)
        np.testing.assert_allclose(foretold.without(name).chance(), foretold.alone[:, 1 - i])
    joint = foretold.chance()
    assert (joint <= foretold.alone.min(axis=1) + 1e-12).all()
    assert (joint >= foretold.alone.sum(axis=1) - 1 - 1e-12).all()
    assert (joint <= foretold.bound + 1e-12).all()


@settings(max_examples=25, deadline=None)
@given(
    st.integers(0, 10_000),
    st.integers(0, 5),
    st.floats(-0.95, 0.95),
    st.sampled_from(["main", "interactions"]),
)
def test_bounds_and_symmetry_hold_for_any_missing_prints(seed, missing, rho, terms) -> None:
    surfaces, _ = unlike(seed, missing=missing, rho=rho, terms=terms)
    foretold = forecast(surfaces, SOME[:8])
    joint = foretold.chance()
    assert (joint <= foretold.alone.min(axis=1) + 1e-12).all()
    assert (joint >= np.maximum(foretold.alone.sum(axis=1) - 1, 0) - 1e-12).all()
    turned = dict(reversed(surfaces.items()))
    np.testing.assert_allclose(chance_to_meet(turned, SOME[:8]), joint, atol=1e-9)
    correlation = foretold.clusters[0].correlation
    assert (np.linalg.eigvalsh(correlation) >= -1e-9).all()


def test_copula_by_plain_simulation() -> None:
    surfaces, _ = unlike()
    at = np.array([[0.2, -0.3, 0.4]])
    foretold = forecast(surfaces, at)
    (cluster,) = foretold.clusters
    rng, n = np.random.default_rng(4), 300_000
    normal = rng.standard_normal((n, 2)) @ np.linalg.cholesky(cluster.correlation[0]).T
    u = stats.t.cdf(normal / np.sqrt(rng.chisquare(cluster.df, (n, 1)) / cluster.df), cluster.df)
    part = foretold.mean[0] + foretold.scale[0] * stats.t.ppf(u, foretold.df[0])
    good = np.all((part >= foretold.lower) & (part <= foretold.upper), axis=1).mean()
    assert foretold.chance()[0] == pytest.approx(good, abs=4 * 0.5 / np.sqrt(n))


@pytest.mark.parametrize(
    "specimens", [None, {"strength": (3.0, 2.0, 28.0)}], ids=["single", "specimens"]
)
def test_draws_agree_with_the_closed_form(specimens) -> None:
    surfaces, _ = unlike(specimens=specimens)
    for at in (np.zeros(3), np.array([0.5, -0.5, 0.0]), np.array([0.9, 0.9, -0.9])):
        draws = probability_draws(surfaces, at, np.random.default_rng(1), draws=20_000)
        closed = chance_to_meet(surfaces, at[None])[0]
        assert draws.mean() == pytest.approx(closed, abs=4 * draws.std() / np.sqrt(20_000) + 3e-3)
        for name in surfaces:
            one = {name: surfaces[name]}
            alone = probability_draws(one, at, np.random.default_rng(1), draws=20_000)
            assert alone.mean() == pytest.approx(
                chance_to_meet(one, at[None])[0], abs=0.01 if specimens else 0.006
            )


def test_shared_doubt_is_that_of_refitted_errors() -> None:
    """Covariance of the two fitted means, by refitting simulated prints with correlated errors."""
    surfaces, _ = unlike(missing=4, rho=0.5)
    fitted = list(surfaces.values())
    (tied,) = tie_groups(fitted, group_alike(fitted))
    at, rng, rho = SOME[:3], np.random.default_rng(2), 0.5
    errors = rng.multivariate_normal([0, 0], [[1, rho], [rho, 1]], size=(20_000, 18))
    means = []
    for s, e in zip(fitted, (errors[:, :, 0], errors[:, 4:, 1]), strict=True):
        means.append(e @ s.design @ s.unscaled @ s.rows(at).T)
    seen = np.mean(means[0] * means[1], axis=0)
    np.testing.assert_allclose(rho * tied.shared_doubt(fitted, at)[:, 0, 1], seen, atol=0.01)


def test_correlation_of_shared_prints_is_right_on_average() -> None:
    found = [
        tie_groups(fitted := list(unlike(seed, rho=0.6)[0].values()), group_alike(fitted))[0]
        for seed in range(400)
    ]
    values = np.array([t.correlation[0, 1] for t in found])
    # Dividing by estimated scatters pulls a correlation in a little: 1 - (1 - rho^2) / (2 df), about 4 % here.
    assert values.mean() == pytest.approx(0.6 * 0.96, abs=4 * values.std() / 20)


def test_correlations_that_do_not_fit_together_are_drawn_in() -> None:
    inside = np.array([[1, 0.9, 0], [0.9, 1, 0], [0, 0, 1.0]])
    across = np.array([[0, 0, 0.9], [0, 0, -0.9], [0.9, -0.9, 0]])
    found = fitting_together(inside, across)
    np.testing.assert_array_equal(found[:2, :2], inside[:2, :2])
    assert np.linalg.eigvalsh(found)[0] == pytest.approx(0, abs=1e-9)
    assert 0 < found[0, 2] < 0.9
    assert found[1, 2] == -found[0, 2]
    np.testing.assert_array_equal(fitting_together(inside, across * 0.1), inside + across * 0.1)


def test_too_few_shared_prints_leave_the_product() -> None:
    surfaces, study = unlike()
    points = np.random.default_rng(3).uniform(-1, 1, (9, 3))
    values = 58 + points @ [3.0, -2, -3] + np.random.default_rng(4).normal(0, 2, 9)
    other = fit_by_hand(study, points, {"strength": values}, terms="main")["strength"]
    runs = [f"new {i}" for i in range(9)]
    other = replace(other, observations=other.observations.assign(run=runs))
    mixed = {"gloss": surfaces["gloss"], "strength": other}
    assert forecast(mixed, SOME).clusters == ()
    product = chance_to_meet(mixed, SOME, joint=False)
    np.testing.assert_allclose(chance_to_meet(mixed, SOME), product, rtol=1e-12)


def test_mixed_models_are_tied_to_others() -> None:
    surfaces, study = with_blocks(missing=5)
    foretold = forecast(surfaces, SOME)
    (cluster,) = foretold.clusters
    assert 0.3 < cluster.prints_correlation[0, 1] < 0.95
    joint, product = foretold.chance(), chance_to_meet(surfaces, SOME, joint=False)
    assert (joint <= foretold.alone.min(axis=1) + 1e-12).all()
    assert np.abs(joint - product).max() > 0.005
    at = SOME[0]
    draws = probability_draws(surfaces, at, np.random.default_rng(1), draws=20_000)
    assert draws.mean() == pytest.approx(joint[0], abs=0.012)
    window = find_window(surfaces, study)
    assert window.joint
    assert window.correlation.shape == (2, 2)


def test_influence_of_a_mixed_model_gives_its_adjusted_covariance() -> None:
    surfaces, _ = with_blocks(missing=5)
    fitted = list(surfaces.values())
    (tied,) = tie_groups(fitted, group_alike(fitted))
    for i, surface in enumerate(fitted):
        covariance = tied.influence[i] @ tied.influence[i].T * tied.sd[i] ** 2
        np.testing.assert_allclose(covariance, surface.covariance, rtol=1e-6, atol=1e-9)


def test_outcomes_are_multiplied() -> None:
    surfaces, study = unlike()
    passed = np.ones(18)
    passed[[0, 3]] = 0
    both = {**surfaces, "grip": outcome(study, passed)}
    foretold = forecast(both, SOME)
    assert foretold.outcomes == {"grip"}
    product = chance_to_meet(surfaces, SOME) * both["grip"].typical(SOME)
    np.testing.assert_allclose(foretold.chance(), product, rtol=1e-12)
    draws = probability_draws(both, SOME[0], np.random.default_rng(1), draws=20_000)
    assert draws.mean() == pytest.approx(product[0], abs=0.01)


@pytest.mark.slow
def test_tied_chances_are_calibrated_where_the_product_is_not() -> None:
    """Stated against true chances in bins, eight settings a study drawn beforehand; the second response lacks four prints.

    Truths as `truths` says. A bin fails when it is off by more than 0.03 plus two standard errors (see test_probability: from
    0.5 to 0.9 the t errs on the careful side). Where the true correlation is strong the product is off by more.
    """
    rng, points, keep = np.random.default_rng(5), printed(3), np.arange(4, 18)
    stated, product, true, rho = [], [], [], []
    for _ in range(1500):
        truth = draw_truth(rng, straight=3.0)
        surfaces = truth.readings(rng, points)
        values = surfaces["b"].observations["value"].to_numpy()[keep]
        fewer = fit_by_hand(truth.study, points[keep], {"b": values})["b"]
        surfaces = {"a": surfaces["a"], "b": renamed(fewer, keep)}
        at = rng.uniform(-1, 1, size=(8, 3))
        stated.append(chance_to_meet(surfaces, at))
        product.append(chance_to_meet(surfaces, at, joint=False))
        true.append(truth.chance(at))
        rho.append(truth.correlation[0, 1])
    said, off = np.array(stated), np.array(stated) - np.array(true)
    for low in np.arange(10) / 10:
        here = (said >= low) & (said <= low + 0.1)
        gap = off[here].mean()
        error = np.sqrt(np.sum(np.where(here, off - gap, 0.0).sum(axis=1) ** 2)) / here.sum()
        assert -0.04 - 2 * error <= gap <= 0.03 + 2 * error, (low, gap, error)
    strong = np.array(rho) > 0.5
    off_product = np.array(product) - np.array(true)
    assert np.abs(off[strong]).mean() < np.abs(off_product[strong]).mean()
