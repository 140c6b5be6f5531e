"""Other printers with mixed models and outcomes: giving way, expected gain, limits of the average chance."""

from __future__ import annotations

import numpy as np
import pytest

from kit.study.description import Printer, Study, WindowChoice
from kit.window.gain import _updated, chosen_runs, expected_chance
from kit.window.next_round import suggest_next
from kit.window.printers import average_chance
from kit.window.region import find_window
from tests.unit.window.made import GLOSS, STRENGTH, WIDTH, demo_surfaces
from tests.unit.window.made_unlike import comes_out, with_blocks

AWAY = WindowChoice(confidence=0.9, other_printers=True)
NEAR = Printer(thermometer_offset=5)


def coarse(study: Study) -> Study:
    """Give the study with few printable settings, to be quick."""
    factors = tuple(
        f.model_copy(update={"step": step})
        for f, step in zip(study.factors, (5, 20, 20), strict=True)
    )
    return study.model_copy(update={"factor": factors})


def strict(kind: str):
    """Requirements that nothing reaches on average elsewhere."""
    if kind == "like":
        wanted = (
            GLOSS.model_copy(update={"lower": 48.0}),
            WIDTH,
            STRENGTH.model_copy(update={"lower": 64.0}),
        )
        surfaces, study = demo_surfaces(responses=wanted, noise=1.5, window=AWAY, printer=NEAR)
        return surfaces, coarse(study)
    window = AWAY if kind == "mixed" else AWAY.model_copy(update={"confidence": 0.8})
    surfaces, study = with_blocks(missing=4, window=window, printer=NEAR)
    wanted = (
        GLOSS.model_copy(update={"lower": 38.0}),
        STRENGTH.model_copy(update={"lower": 60.0}),
    )
    study = study.model_copy(update={"response": wanted})
    surfaces = {r.name: surfaces[r.name].with_response(r) for r in wanted}
    if kind == "outcome":
        surfaces["comes_out"] = comes_out(study, np.ones(18))
    return surfaces, coarse(study)


@pytest.mark.parametrize("kind", ["like", "mixed", "outcome"])
def test_the_limit_needed_is_where_the_average_reaches_the_confidence(kind: str) -> None:
    surfaces, study = strict(kind)
    window = find_window(surfaces, study)
    assert window.recommended is None
    relaxed = {(r.response, r.side): r for r in window.relaxations}
    gloss = relaxed["gloss", "lower"]
    assert gloss.needed is not None
    assert gloss.needed < gloss.limit
    for limit, reached in ((gloss.needed, True), (gloss.needed + 0.3, False)):
        moved = tuple(
            r.model_copy(update={"lower": limit}) if r.name == "gloss" else r
            for r in study.responses
        )
        again = find_window(surfaces, study.model_copy(update={"response": moved}))
        assert (again.recommended is not None) == reached
    for r in window.relaxations:
        if r.needed is None:
            assert r.probability_without < study.window.confidence
        assert r.probability_without >= window.grid["probability"].max() - 1e-6
    if kind == "outcome":
        assert relaxed["comes_out", "passes"].needed is None


@pytest.mark.parametrize("kind", ["like", "mixed", "outcome"])
def test_limits_surround_the_average_and_the_sides_are_consistent(kind: str) -> None:
    surfaces, study = strict(kind)
    window = find_window(surfaces, study)
    choice = window.best_compromise
    assert choice is not None
    assert 0 <= choice.low <= choice.probability <= choice.high <= 1
    at = study.coding.code({n: [choice.settings[n]] for n in study.coding.names})
    assert choice.probability == pytest.approx(average_chance(surfaces, study, at)[0], abs=1e-9)
    elsewhere = window.elsewhere
    assert elsewhere is not None
    side = elsewhere.for_elsewhere
    assert side.worst <= side.home + 1e-9
    assert 0 <= side.share <= 1


@pytest.mark.parametrize("kind", ["mixed", "outcome"])
def test_a_gain_is_foretold_for_all_models(kind: str) -> None:
    surfaces, study = strict(kind)
    window = find_window(surfaces, study)
    runs = chosen_runs(surfaces, study, window, 6)
    now = float(window.grid["probability"].max())
    then = expected_chance(surfaces, study, window, runs)
    assert then is not None
    assert now <= then <= 1
    assert then == expected_chance(surfaces, study, window, runs)
    assert suggest_next(surfaces, study, window, None).reason


def test_updating_a_mixed_fit_is_generalised_least_squares_on_all_prints() -> None:
    surfaces, _ = with_blocks()
    gloss = surfaces["gloss"]
    mixed, rng = gloss.mixed, np.random.default_rng(1)
    new = rng.uniform(-1, 1, (5, 3))
    values = gloss.mean(new) + rng.normal(0, 2, 5)
    found = _updated(gloss, new, values)
    X = np.vstack([gloss.design, gloss.rows(new)])
    y = np.concatenate([gloss.observations["value"], values])
    V = np.zeros((len(X), len(X)))
    n = len(gloss.design)
    V[:n, :n] = mixed.V
    V[n:, n:] = mixed.components[-1] * np.eye(5) + mixed.components[:-1].sum()
    information = X.T @ np.linalg.solve(V, X)
    want = np.linalg.solve(information, X.T @ np.linalg.solve(V, y))
    np.testing.assert_allclose(found.coefficients, want, rtol=1e-8)
    np.testing.assert_allclose(found.mixed.small.covariance, np.linalg.inv(information), rtol=1e-8)
    assert (np.diag(found.covariance) < np.diag(gloss.covariance)).all()
