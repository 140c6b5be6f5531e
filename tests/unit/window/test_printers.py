from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from kit.study.description import Factor, Printer, WindowChoice
from kit.window.elsewhere import transfer, transmitted
from kit.window.printers import (
    average_chance,
    lay_lines,
    most_reachable,
    narrow_range_note,
    offset_sd,
)
from kit.window.probability import chance_to_meet
from kit.window.region import find_window
from tests.unit.window.made import GLOSS, composite, demo_surfaces, fit_by_hand, made_study
from tests.unit.window.made_unlike import outcome as passing
from tests.unit.window.truths import Truth, draw_truth, printed

AWAY = WindowChoice(confidence=0.9, other_printers=True)


def brute(surfaces, study, coded, *, place: int = 0) -> np.ndarray:
    """The average by 4,001 differences, each with its own chance; 0 outside the tried region."""
    sd = offset_sd(study) / study.factors[place].coded.half_range
    d = np.linspace(-8, 8, 4_001) * sd
    w = np.exp(-0.5 * (d / sd) ** 2)
    w /= w.sum()
    found = []
    for row in coded:
        moved = np.repeat(row[None], len(d), axis=0)
        moved[:, place] += d
        inside = np.all([s.tried.contains(moved) for s in surfaces.values()], axis=0)
        found.append(float(w[inside] @ chance_to_meet(surfaces, moved[inside])))
    return np.array(found)


@pytest.mark.parametrize("noise", [1.0, 0.3])
def test_average_is_that_of_a_fine_sum(noise: float, rng: np.random.Generator) -> None:
    surfaces, study = demo_surfaces(noise=noise)
    coded = rng.uniform(-1, 1, (10, 3))
    np.testing.assert_allclose(
        average_chance(surfaces, study, coded), brute(surfaces, study, coded), atol=4e-4
    )


def test_average_in_a_tried_region_that_is_no_box(rng: np.random.Generator) -> None:
    """Axial points at 1.6 and corners: lines of temperature end where the hull does."""
    _, study = demo_surfaces()
    points = composite(3, axial=1.6)
    values = 40 + points @ [6.0, -3.0, 1.0] + rng.normal(0, 2, len(points))
    surfaces = fit_by_hand(study, points, {"gloss": values})
    coded = rng.uniform(-1, 1, (8, 3)) * 0.9
    coded = coded[surfaces["gloss"].tried.contains(coded)]
    np.testing.assert_allclose(
        average_chance(surfaces, study, coded), brute(surfaces, study, coded), atol=4e-4
    )
    lines = lay_lines(surfaces, study, coded)
    assert lines is not None
    assert len(np.unique(lines.ends.round(6), axis=0)) > 3
    assert surfaces["gloss"].tried.contains(lines.coded).all()


def test_without_differences_elsewhere_is_home(rng: np.random.Generator) -> None:
    surfaces, study = demo_surfaces(printer=Printer(thermometer_offset=0.0))
    coded = rng.uniform(-1, 1, (10, 3))
    np.testing.assert_allclose(
        average_chance(surfaces, study, coded), chance_to_meet(surfaces, coded), atol=2e-5
    )


def test_without_a_nozzle_temperature_nothing_changes(rng: np.random.Generator) -> None:
    factors = (Factor(name="fan", kind="fan_duty", unit="%", low=0, high=100, step=10),)
    study = made_study(factors, [GLOSS], window=AWAY)
    points = np.linspace(-1, 1, 9)[:, None]
    surfaces = fit_by_hand(study, points, {"gloss": 35 + 5 * points[:, 0] + rng.normal(0, 1, 9)})
    np.testing.assert_allclose(
        average_chance(surfaces, study, points), chance_to_meet(surfaces, points)
    )
    window = find_window(surfaces, study)
    assert window.elsewhere is None
    assert "no factor is a nozzle temperature" in " ".join(window.notes)


def test_where_everything_tried_is_met_the_average_is_the_share_inside() -> None:
    surfaces, study = demo_surfaces()
    easy = study.model_copy(update={"response": (GLOSS.model_copy(update={"lower": -1e6}),)})
    gloss = {"gloss": surfaces["gloss"]}
    from dataclasses import replace

    gloss = {"gloss": replace(surfaces["gloss"], response=easy.responses[0])}
    middle = np.zeros((1, 3))
    assert average_chance(gloss, easy, middle)[0] == pytest.approx(most_reachable(easy), abs=1e-9)
    assert most_reachable(easy) == pytest.approx(2 * special.ndtr(20 / (10 / 1.96)) - 1)


def test_settings_for_elsewhere_are_at_least_as_good_there() -> None:
    surfaces, study = demo_surfaces(noise=0.6, window=AWAY)
    window = find_window(surfaces, study)
    assert window.elsewhere is not None
    home, away = window.elsewhere.for_home, window.elsewhere.for_elsewhere
    assert away is not None
    assert away.average >= home.average - 1e-4
    assert home.home >= away.home - 1e-4
    chosen = window.recommended
    assert chosen is not None
    assert chosen.probability == pytest.approx(away.average, abs=1e-6)
    assert chosen.low <= chosen.probability <= chosen.high
    assert window.grid["probability"].max() == pytest.approx(chosen.probability, abs=2e-4)
    assert (window.grid["probability"] <= window.grid["home"].max() + 1e-9).all()
    coded = study.coding.code(window.grid)
    np.testing.assert_allclose(window.grid["home"], chance_to_meet(surfaces, coded), atol=1e-9)


def test_home_only_follows_the_recommended_settings_elsewhere() -> None:
    surfaces, study = demo_surfaces(noise=0.6)
    window = find_window(surfaces, study)
    assert window.elsewhere is not None
    assert window.elsewhere.for_elsewhere is None
    assert window.recommended is not None
    assert window.elsewhere.for_home.settings == dict(window.recommended.settings)
    assert window.elsewhere.for_home.home == pytest.approx(window.recommended.probability)
    assert "home" not in window.grid


def test_share_and_worst_by_counting_printers(rng: np.random.Generator) -> None:
    surfaces, study = demo_surfaces()
    settings = {"nozzle": 205.0, "speed": 90.0, "fan": 60.0}
    found = transfer(surfaces, study, settings)
    d = rng.normal(0, offset_sd(study), 200_000)
    moved = np.repeat(study.coding.code({n: [v] for n, v in settings.items()}), len(d), axis=0)
    moved[:, 0] += d / 20
    inside = np.abs(moved[:, 0]) <= 1
    order = np.argsort(d)
    few = order[::200]
    chance = np.where(inside[few], chance_to_meet(surfaces, moved[few]), 0.0)
    assert found.share == pytest.approx((chance >= 0.9).mean(), abs=0.005)
    assert found.average == pytest.approx(chance.mean(), abs=0.005)
    reasonable = np.abs(d[few]) <= 10
    assert found.worst == pytest.approx(chance[reasonable].min(), abs=0.01)
    assert found.untried == pytest.approx(1 - inside.mean(), abs=0.002)


def test_transmitted_scatter_of_a_straight_surface() -> None:
    """A straight surface hands on slope times SD, exactly (JCGM 100, 5.1.2)."""
    _, study = demo_surfaces()
    points = composite(3)
    values = 40 + points @ [6.0, -3.0, 1.0] + np.resize([0.1, -0.1], len(points))
    surfaces = fit_by_hand(study, points, {"gloss": values}, terms="main")
    b = surfaces["gloss"].coefficients
    one = transmitted(surfaces, study, {"nozzle": 210.0, "speed": 80.0, "fan": 60.0})[0]
    assert one.thermometer == pytest.approx(abs(b[1]) * 10 / 1.96 / 20)
    steps = np.array([5 / 20, 10 / 40, 10 / 40])
    assert one.setting == pytest.approx(np.sqrt(np.sum((b[1:] * steps) ** 2) / 12))


@pytest.mark.parametrize(
    ("offset", "warned"), [(3.0, False), (10.0, False), (25.0, True), (50.0, True)]
)
def test_a_range_too_narrow_is_warned_about(offset: float, warned: bool) -> None:
    _, study = demo_surfaces(window=AWAY, printer=Printer(thermometer_offset=offset))
    note = narrow_range_note(study)
    assert (note is not None) == warned
    if offset == 50.0:
        assert note is not None
        assert "cannot be reached" in note
    assert narrow_range_note(study.model_copy(update={"window": WindowChoice()})) is None


@pytest.mark.slow
def test_average_against_draws_of_printers_and_parts(rng: np.random.Generator) -> None:
    """Monte Carlo of everything at once: truth from the posterior, printer, part."""
    from kit.window.draws import posterior_draws

    surfaces, study = demo_surfaces()
    at = np.array([[-0.25, 0.3, 0.1]])
    n = 200_000
    d = rng.normal(0, offset_sd(study) / 20, n)
    met = np.abs(at[0, 0] + d) <= 1
    for start in range(0, n, 20_000):
        part = slice(start, start + 20_000)
        group = posterior_draws(surfaces, rng, 20_000)[0]
        moved = np.repeat(at, 20_000, axis=0)
        moved[:, 0] += d[part]
        rows = group.surfaces[0].rows(moved)
        means = np.einsum("dp,dpq->dq", rows, group.coefficients)
        root = np.linalg.cholesky(group.part)
        y = means + np.einsum("dij,dj->di", root, rng.standard_normal(means.shape))
        for i, s in enumerate(group.surfaces):
            low = -np.inf if s.response.lower is None else s.response.lower
            high = np.inf if s.response.upper is None else s.response.upper
            met[part] &= (y[:, i] >= low) & (y[:, i] <= high)
    assert average_chance(surfaces, study, at)[0] == pytest.approx(met.mean(), abs=0.004)


@pytest.mark.slow
@pytest.mark.parametrize("outcome", [False, True], ids=["measured", "and an outcome"])
def test_averaged_chances_are_calibrated_at_settings_chosen_beforehand(outcome: bool) -> None:
    """Stated against true averages over printers in ten bins, six settings a study drawn beforehand.

    Truths as `truths` says, with scatters that stand clear of the effects; the outcome's log odds are N(0, 3^2) in the middle
    and N(0, 2.5^2) a straight effect. A bin fails when it is off by more than 0.03 plus two standard errors; on the careful
    side 0.04 are allowed (see test_probability).
    """
    rng, away = np.random.default_rng(5), Printer(thermometer_offset=10)
    stated, true = [], []
    for _ in range(400 if outcome else 1200):
        truth = draw_truth(rng, straight=3.0, printer=away)
        surfaces, points = truth.readings(rng, printed(3)), printed(3)
        odds = rng.normal(0, [3, 2.5, 2.5, 2.5])
        if outcome:
            p = special.expit(odds[0] + points @ odds[1:])
            surfaces["grip"] = passing(truth.study, rng.uniform(size=len(p)) < p)
        at = rng.uniform(-1, 1, size=(6, 3))
        stated.append(average_chance(surfaces, truth.study, at))
        true.append(true_average(truth, at, odds if outcome else None))
    said, off = np.array(stated), np.array(stated) - np.array(true)
    for low in np.arange(10) / 10:
        here = (said >= low) & (said <= low + 0.1)
        if here.sum() < 60:
            continue
        gap = off[here].mean()
        error = np.sqrt(np.sum(np.where(here, off - gap, 0.0).sum(axis=1) ** 2)) / here.sum()
        assert -0.04 - 2 * error <= gap <= 0.03 + 2 * error, (low, here.sum(), gap, error)


def true_average(truth: Truth, at: np.ndarray, odds: np.ndarray | None) -> np.ndarray:
    """The average over differences that stay inside the cube, by 61 Gauss-Legendre nodes a setting."""
    sd = offset_sd(truth.study) / truth.study.factors[0].coded.half_range
    x, w = np.polynomial.legendre.leggauss(61)
    moved = np.repeat(at, len(x), axis=0)
    moved[:, 0] = np.tile(x, len(at))
    chance = truth.chance(moved)
    if odds is not None:
        chance = chance * special.expit(odds[0] + moved @ odds[1:])
    z = (x[None, :] - at[:, :1]) / sd
    weight = w * np.exp(-0.5 * z**2) / (sd * np.sqrt(2 * np.pi))
    return np.sum(weight * chance.reshape(len(at), -1), axis=1)
