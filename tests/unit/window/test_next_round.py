from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kit.model.surface import LackOfFit
from kit.study.description import Material, Printer
from kit.window.gain import _updated, chosen_runs, expected_chance
from kit.window.next_round import ADD, CONFIRM, MOVE, STOP, suggest_next
from kit.window.region import find_window
from kit.window.settable import allowed_region
from kit.window.verdict import Confirmation
from tests.unit.window.made import (
    GLOSS,
    STRENGTH,
    WIDTH,
    composite,
    demo_surfaces,
    fit_by_hand,
)


def wanted(gloss: float, strength: float, *, noise: float = 1.0, **parts):
    responses = (
        GLOSS.model_copy(update={"lower": gloss}),
        WIDTH,
        STRENGTH.model_copy(update={"lower": strength}),
    )
    surfaces, study = demo_surfaces(responses=responses, noise=noise, **parts)
    return surfaces, study, find_window(surfaces, study)


def verdict(window, word: str) -> Confirmation:
    return Confirmation(
        word, window.recommended.settings, True, tuple("abcdef"), 6, 0, 0, 1, 0, 0.6, 1.0, 0.95, 0.9, {}, ("Because.",)
    )  # fmt: skip


def test_what_is_recommended_is_to_be_confirmed() -> None:
    surfaces, study, window = wanted(30, 55)
    found = suggest_next(surfaces, study, window, None)
    assert found.action == CONFIRM
    assert len(found.runs) == 6
    assert found.runs.drop_duplicates().to_dict("records") == [dict(window.recommended.settings)]


@pytest.mark.parametrize(
    ("word", "action"), [("meets", STOP), ("undecided", CONFIRM), ("does not meet", ADD)]
)
def test_a_verdict_decides(word: str, action: str) -> None:
    surfaces, study, window = wanted(30, 55)
    assert suggest_next(surfaces, study, window, verdict(window, word)).action == action


def test_a_surface_that_misses_its_prints_is_mended_before_it_is_confirmed() -> None:
    surfaces, study, window = wanted(30, 55)
    poor = {
        **surfaces,
        "gloss": replace(surfaces["gloss"], lack_of_fit=LackOfFit(9.0, (5, 3), 0.01)),
    }
    found = suggest_next(poor, study, window, None)
    assert found.action == ADD
    assert "gloss" in found.reason


def test_an_answer_at_the_end_of_what_was_tried_moves_outwards() -> None:
    surfaces, study, window = wanted(58, 60)
    assert window.recommended is None
    found = suggest_next(surfaces, study, window, None)
    assert found.action == MOVE
    coded = study.coding.code(found.runs)
    allowed = allowed_region(list(surfaces.values()), study)
    assert allowed(coded)[0]
    assert not allowed(coded[1:]).any()
    assert found.runs["nozzle"].is_monotonic_increasing
    steps = (found.runs["nozzle"] - 190) / 5
    np.testing.assert_allclose(steps, steps.round())


def test_a_path_stops_where_the_printer_or_the_spool_does() -> None:
    surfaces, study, window = wanted(58, 60)
    stops = {"printer": Printer(nozzle_max=235), "material": Material(stated_range=(180, 240))}
    found = suggest_next(surfaces, study.model_copy(update=stops), window, None)
    assert found.runs["nozzle"].max() <= 235
    only_spool = study.model_copy(update={"material": Material(stated_range=(180, 230))})
    assert suggest_next(surfaces, only_spool, window, None).runs["nozzle"].max() <= 230
    assert found.runs["speed"].min() >= 20


def test_nothing_required_is_nothing_to_reach() -> None:
    from kit.study.description import Response

    surfaces, study = demo_surfaces(responses=(Response(name="gloss", target=40.0),))
    assert suggest_next(surfaces, study, find_window(surfaces, study), None).action == STOP


def test_scatter_too_large_for_the_requirements_stops() -> None:
    """Limits as narrow as the scatter, the best in the middle of what was tried: more runs do not help."""
    surfaces, study = demo_surfaces()
    rng = np.random.default_rng(3)
    points = np.vstack([composite(3)] * 4)
    curve = -8.0 * (points**2).sum(axis=1)
    values = 40 + curve + rng.normal(0, 3.0, len(points))
    gloss = GLOSS.model_copy(update={"lower": 39.5})
    study = study.model_copy(update={"response": (gloss,)})
    surfaces = fit_by_hand(study, points, {"gloss": values})
    window = find_window(surfaces, study)
    assert window.recommended is None
    found = suggest_next(surfaces, study, window, None)
    assert found.action == STOP
    assert "scatter" in found.reason


def test_an_update_is_least_squares_on_all_runs(rng: np.random.Generator) -> None:
    _, study = demo_surfaces()
    points, new = composite(3), rng.uniform(-1, 1, (5, 3))
    y = rng.normal(40, 5, len(points) + 5)
    before = fit_by_hand(study, points, {"gloss": y[:-5]})["gloss"]
    whole = fit_by_hand(study, np.vstack([points, new]), {"gloss": y})["gloss"]
    found = _updated(before, new, y[-5:])
    np.testing.assert_allclose(found.coefficients, whole.coefficients)
    np.testing.assert_allclose(found.covariance, whole.covariance)
    assert found.residual_df == whole.residual_df
    assert found.residual_variance == pytest.approx(whole.residual_variance)


def test_added_runs_narrow_the_doubt_where_it_matters() -> None:
    surfaces, study, window = wanted(48, 66)
    runs = chosen_runs(surfaces, study, window, 6)
    coded = study.coding.code(runs)
    top = window.grid.nlargest(20, "probability")
    goal = study.coding.code({n: top[n] for n in study.coding.names})
    surface = surfaces["gloss"]
    rows = surface.rows(goal)

    def doubt(extra: np.ndarray) -> float:
        X = np.vstack([surface.design, surface.rows(extra)])
        return float(np.mean(np.sum((rows @ np.linalg.inv(X.T @ X)) * rows, axis=1)))

    rng = np.random.default_rng(0)
    places = [rng.integers(0, len(window.grid), 6) for _ in range(50)]
    at_random = [
        doubt(study.coding.code({n: window.grid[n].iloc[p] for n in study.coding.names}))
        for p in places
    ]
    assert doubt(coded) < min(at_random)
    allowed = allowed_region(list(surfaces.values()), study)
    assert allowed(coded).all()


def test_expected_chance_is_never_below_the_present_one() -> None:
    surfaces, study, window = wanted(48, 66)
    runs = chosen_runs(surfaces, study, window, 6)
    now = float(window.grid["probability"].max())
    then = expected_chance(surfaces, study, window, runs)
    assert then is not None
    assert now <= then <= 1.0
    assert then == expected_chance(surfaces, study, window, runs)
