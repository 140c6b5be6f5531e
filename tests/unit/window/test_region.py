"""The window: hand-worked answers, what must always hold, and honesty at the chosen setting."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.bench.measured import Measured
from kit.errors import ModelError
from kit.model.fit import fit_surface
from kit.model.surface import LackOfFit
from kit.study.description import Factor, Response, Study
from kit.window import looked
from kit.window.probability import chance_to_meet
from kit.window.region import find_window
from tests.unit.model.builders import make_runs
from tests.unit.window.made import (
    GLOSS,
    composite,
    demo_surfaces,
    fit_by_hand,
    made_study,
    three_factors,
)
from tests.unit.window.truths import draw_truth, printed


def asked(study: Study, confidence: float, **parts) -> Study:
    return study.model_copy(
        update={"window": study.window.model_copy(update={"confidence": confidence}), **parts}
    )


def required(study: Study, **limits) -> Study:
    """Change requirements: ``required(study, gloss={"lower": 50})``."""
    changed = [r.model_copy(update=limits.get(r.name, {})) for r in study.responses]
    return study.model_copy(update={"response": tuple(changed)})


HARD = {
    "gloss": {"lower": 48.0},
    "width": {"lower": -0.1, "upper": 0.1},
    "strength": {"lower": 60.0},
}
HOPELESS = {
    "gloss": {"lower": 60.0},
    "width": {"lower": -0.02, "upper": 0.0},
    "strength": {"lower": 75.0},
}


def coded_of(study, settings_):
    return study.coding.code({k: [v] for k, v in settings_.items()})


def coarse(study):
    """Fewer printable settings, for tests that search many windows."""
    steps = {"nozzle": 10.0, "speed": 20.0, "fan": 20.0}
    factors = [f.model_copy(update={"step": steps[f.name]}) for f in study.factors]
    return study.model_copy(update={"factor": tuple(factors)})


def rows_in(window, ranges):
    table = window.grid
    keep = np.ones(len(table), dtype=bool)
    for name, (low, high) in ranges.items():
        column = table[name]
        keep &= (column == low) if isinstance(low, str) else column.between(low - 1e-9, high + 1e-9)
    return table[keep]


def test_recommended_is_the_best_printable_setting_and_the_box_lies_in_the_window():
    surfaces, study = demo_surfaces(noise=2.0)
    window = find_window(surfaces, study)
    choice = window.recommended
    assert choice is not None
    assert window.best_compromise is None
    assert choice.probability >= window.grid["probability"].max() - 1e-4
    assert window.share == pytest.approx((window.grid["probability"] >= 0.9).mean())
    at = coded_of(study, choice.settings)
    assert choice.probability == pytest.approx(chance_to_meet(surfaces, at)[0], abs=1e-9)
    assert choice.low < choice.probability < choice.high
    inside = rows_in(window, window.ranges)
    counts = [
        len([x for x in window.steps[n] if a <= x <= b]) for n, (a, b) in window.ranges.items()
    ]
    assert len(inside) == np.prod(counts)
    assert (inside["probability"] >= 0.9).all()
    for name, value in choice.settings.items():
        assert window.ranges[name][0] <= value <= window.ranges[name][1]
    for name, s in surfaces.items():
        prediction = choice.predictions[name]
        assert prediction.low < prediction.mean < prediction.high
        assert prediction.mean == pytest.approx(s.mean(at)[0])


def test_ties_go_to_the_middle_of_the_window():
    """A response far inside its limits everywhere: all settings tie, the middle one is recommended."""
    study = made_study(three_factors()[:2], [Response(name="y", lower=0.0)])
    points = composite(2)
    y = 100 + np.random.default_rng(3).normal(size=len(points)) * 0.01
    window = find_window(fit_by_hand(study, points, {"y": y}), study)
    assert window.share == 1.0
    assert dict(window.recommended.settings) == {"nozzle": 210.0, "speed": 80.0}
    assert window.ranges == {"nozzle": (190.0, 230.0), "speed": (40.0, 120.0)}


def test_binding_requirement_is_the_one_whose_removal_helps_most():
    surfaces, study = demo_surfaces()
    window = find_window(surfaces, required(study, **HARD))
    choice = window.best_compromise
    best = {
        name: chance_to_meet(
            {
                n: replace(s, response=required(study, **HARD).response_named(n))
                for n, s in surfaces.items()
            },
            study.coding.code(window.grid),
            drop=name,
        ).max()
        for name in surfaces
    }
    assert choice.binding == max(best, key=best.get)
    for name, value in best.items():
        assert choice.without[name] == pytest.approx(value, abs=2e-6)


def test_below_the_confidence_there_is_a_compromise_and_what_relaxing_buys():
    surfaces, study = demo_surfaces()
    hard = required(study, **HARD)
    window = find_window(surfaces, hard)
    assert window.recommended is None
    assert window.share == 0.0
    assert window.ranges == {}
    assert window.best_compromise.how == "desirability"
    assert 0 < window.best_compromise.desirability < 1
    assert [(r.response, r.side) for r in window.relaxations] == [
        ("gloss", "lower"),
        ("width", "lower"),
        ("width", "upper"),
        ("strength", "lower"),
    ]
    helped = [r for r in window.relaxations if r.needed is not None]
    assert [r.response for r in helped] == ["gloss"]
    relaxation = helped[0]
    assert relaxation.needed < relaxation.limit
    enough = find_window(surfaces, required(hard, gloss={"lower": relaxation.needed}))
    assert enough.recommended is not None
    scale = np.sqrt(surfaces["gloss"].residual_variance)
    tighter = find_window(
        surfaces, required(hard, gloss={"lower": relaxation.needed + 1e-3 * scale})
    )
    assert tighter.recommended is None
    for r in window.relaxations:
        side = {r.side: None}
        if r.response != "width":
            continue
        dropped = find_window(surfaces, required(hard, width={**side}))
        assert r.probability_without == pytest.approx(dropped.grid["probability"].max(), abs=2e-6)
    assert any("highest chance there is" in n for n in window.notes)


def test_where_nothing_suits_the_smallest_largest_shortfall_is_named_as_such():
    surfaces, study = demo_surfaces()
    window = find_window(surfaces, required(study, **HOPELESS))
    assert window.best_compromise.how == "smallest largest shortfall"
    assert window.best_compromise.desirability == 0.0
    assert window.best_compromise.probability < 0.05
    assert all(r.needed is None for r in window.relaxations)
    assert any("falls least short" in n for n in window.notes)


def test_no_requirement_gives_no_recommendation_and_says_so():
    surfaces, study = demo_surfaces()
    free = {name: {"lower": None, "upper": None} for name in surfaces}
    window = find_window(surfaces, required(study, **free))
    assert window.recommended is None
    assert window.best_compromise is None
    assert window.share == 0.0
    assert window.ranges == {}
    assert any("No requirement is stated" in n for n in window.notes)
    free["gloss"]["target"] = 40.0
    window = find_window(surfaces, required(study, **free))
    assert window.recommended is None
    assert np.isnan(window.best_compromise.probability)
    assert window.best_compromise.predictions["gloss"].mean == pytest.approx(40.0, abs=0.3)


def test_a_response_without_limits_takes_no_part_but_is_foretold():
    surfaces, study = demo_surfaces()
    window = find_window(surfaces, required(study, width={"lower": None, "upper": None}))
    assert set(window.recommended.alone) == {"gloss", "strength"}
    assert set(window.recommended.predictions) == {"gloss", "width", "strength"}
    assert window.grid["chance_width"].isna().all()
    assert window.correlation.shape == (2, 2)


def test_grid_table_is_complete_and_consistent():
    surfaces, study = demo_surfaces(noise=2.0)
    window = find_window(surfaces, study)
    names = ["gloss", "width", "strength"]
    wanted = ["nozzle", "speed", "fan", "probability"]
    for name in names:
        wanted += [f"chance_{name}", f"mean_{name}"]
    assert list(window.grid.columns) == wanted
    assert isinstance(window.grid.index, pd.RangeIndex)
    alone = window.grid[[f"chance_{n}" for n in names]].to_numpy()
    assert (window.grid["probability"] <= alone.min(axis=1) + 1e-12).all()
    assert (window.grid["probability"] >= alone.sum(axis=1) - 2 - 1e-12).all()
    assert not window.grid.isna().any(axis=None)


def test_nothing_is_recommended_outside_the_tried_region():
    """The best gloss would lie at hot and slow, which was never printed together."""
    study = made_study(three_factors()[:2], [GLOSS.model_copy(update={"lower": 40.0})])
    points = composite(2)
    points = points[~np.all(points == [1, -1], axis=1)]
    y = (
        42
        + 8 * points[:, 0]
        - 8 * points[:, 1]
        + np.random.default_rng(1).normal(size=len(points)) * 0.5
    )
    surfaces = fit_by_hand(study, points, {"gloss": y}, terms="main")
    window = find_window(surfaces, study)
    assert surfaces["gloss"].tried.contains(coded_of(study, window.recommended.settings)).all()
    corner = (window.grid["nozzle"] == 230) & (window.grid["speed"] == 40)
    assert not corner.any()
    assert not rows_in(window, window.ranges).empty
    assert surfaces["gloss"].tried.contains(study.coding.code(rows_in(window, window.ranges))).all()


def test_categories_are_recommended_by_level_and_held_in_the_box():
    spool = Factor(name="spool", kind="category", levels=("white", "pink"))
    study = made_study((*three_factors()[:2], spool), [Response(name="gloss", lower=40.0)])
    base = composite(2)
    points = np.vstack([np.column_stack([base, np.full(len(base), level)]) for level in (0.0, 1.0)])
    y = (
        36
        + 4 * points[:, 0]
        + 6 * points[:, 2]
        + np.random.default_rng(5).normal(size=len(points)) * 0.8
    )
    window = find_window(
        fit_by_hand(study, points, {"gloss": y}, terms=["nozzle", "speed", "spool"]), study
    )
    assert window.recommended.settings["spool"] == "pink"
    assert window.ranges["spool"] == ("pink", "pink")
    assert window.steps["spool"] == ("white", "pink")


def test_cautions_reach_the_notes():
    surfaces, study = demo_surfaces()
    poor = {
        **surfaces,
        "gloss": replace(surfaces["gloss"], lack_of_fit=LackOfFit(9.0, (5, 3), 0.01)),
    }
    notes = " ".join(find_window(poor, study).notes)
    assert "Caution" in notes
    assert "lack of fit" in notes
    fine = {
        **surfaces,
        "gloss": replace(surfaces["gloss"], lack_of_fit=LackOfFit(1.0, (5, 3), 0.5)),
    }
    assert "Caution" not in " ".join(find_window(fine, study).notes)
    other = study.model_copy(
        update={"window": study.window.model_copy(update={"other_printers": True})}
    )
    assert "an average over other printers" in " ".join(find_window(surfaces, other).notes)
    two = {n: surfaces[n] for n in ("gloss", "width")}
    assert "No fitted results for strength" in " ".join(find_window(two, study).notes)


def test_effects_lost_in_the_scatter_are_cautioned():
    surfaces, study = demo_surfaces()
    lost = {**surfaces, "gloss": replace(surfaces["gloss"], r2_predicted=-0.2)}
    notes = " ".join(find_window(lost, study).notes)
    assert "gloss foretells left-out prints no better" in notes
    clear = {**surfaces, "gloss": replace(surfaces["gloss"], r2_predicted=0.6)}
    assert "no better" not in " ".join(find_window(clear, study).notes)
    easy = required(study, gloss={"lower": 0.0})  # met everywhere: its shape chooses nothing
    assert "no better" not in " ".join(find_window(lost, easy).notes)


def test_fixed_blocks_speak_of_an_average_block():
    surfaces, study = demo_surfaces()
    values = {n: s.observations["value"].to_numpy() for n, s in surfaces.items()}
    points = composite(3)
    block = np.where(np.arange(len(points)) % 2 == 0, 1.0, -1.0)[:, None]
    blocked = fit_by_hand(study, points, values, block_columns=block)
    assert "average block" in " ".join(find_window(blocked, study).notes)


def test_unlike_models_are_said_to_be_tied_by_the_prints_they_share():
    surfaces, study = demo_surfaces()
    y = surfaces["width"].observations["value"].to_numpy()
    mixed = {**surfaces, **fit_by_hand(study, composite(3), {"width": y}, terms="main")}
    window = find_window(mixed, study)
    assert window.joint
    assert window.correlation.shape == (3, 3)
    assert any("judged by the prints that they share" in note for note in window.notes)


def test_a_window_thinner_than_a_step_is_said():
    study = made_study(three_factors()[:2], [Response(name="y", upper=1.0)])
    points = composite(2)
    y = 60 * (points[:, 0]) ** 2 + np.random.default_rng(1).normal(size=len(points)) * 0.2
    window = find_window(fit_by_hand(study, points, {"y": y}), study)
    assert window.ranges["nozzle"][0] == window.ranges["nozzle"][1]
    assert window.ranges["speed"][0] < window.ranges["speed"][1]
    assert any("narrower than one settable step of nozzle" in n for n in window.notes)


def test_an_end_that_is_only_the_end_of_what_was_tried_is_said_but_not_a_hard_stop():
    surfaces, study = demo_surfaces()
    window = find_window(surfaces, study)
    text = next(n for n in window.notes if "end of what was tried" in n)
    assert window.ranges["fan"][1] == 100.0
    assert "fan" not in text  # a fan stops at 100 %
    assert "nozzle" in text


def test_no_printable_setting_is_an_answer_not_an_error():
    study = made_study([Factor(name="n", low=0, high=10, step=7)], [Response(name="y", lower=0.0)])
    points = np.array([[0.2], [0.3], [0.35], [0.2]])
    y = np.array([1.0, 2.0, 2.5, 1.2])
    window = find_window(fit_by_hand(study, points, {"y": y}, terms="main"), study)
    assert window.recommended is None
    assert window.grid.empty
    assert any("No printable setting" in n for n in window.notes)


def test_no_surface_is_refused():
    with pytest.raises(ModelError, match="take readings"):
        find_window({}, demo_surfaces()[1])


def test_requirements_are_read_from_the_study():
    surfaces, study = demo_surfaces()
    strict = required(study, gloss={"lower": 45.0})
    bound = {
        **surfaces,
        "gloss": replace(surfaces["gloss"], response=strict.response_named("gloss")),
    }
    pd.testing.assert_frame_equal(
        find_window(surfaces, strict).grid, find_window(bound, strict).grid
    )


def test_progress_is_told_and_rises():
    surfaces, study = demo_surfaces()
    told = []
    find_window(surfaces, study, progress=lambda share, doing: told.append((share, doing)))
    shares = [t[0] for t in told]
    assert shares == sorted(shares)
    assert 0 <= shares[0] <= shares[-1] <= 1
    assert all(t[1] for t in told)


def test_same_seed_same_answer():
    surfaces, study = demo_surfaces(noise=2.0)
    a, b = find_window(surfaces, study), find_window(surfaces, study)
    assert a.recommended == b.recommended
    pd.testing.assert_frame_equal(a.grid, b.grid)
    other = find_window(surfaces, study.model_copy(update={"seed": study.seed + 1}))
    assert other.recommended.probability == a.recommended.probability
    assert other.recommended.low != a.recommended.low


@given(st.integers(0, 300), st.floats(0.3, 0.95), st.floats(0.001, 0.04))
@settings(max_examples=8, deadline=None)
def test_more_confidence_never_widens_the_window(seed, confidence, more):
    surfaces, study = demo_surfaces(seed, noise=2.5)
    study = coarse(study)
    loose = find_window(surfaces, asked(study, confidence))
    strict = find_window(surfaces, asked(study, confidence + more))
    assert strict.share <= loose.share
    for window in (loose, strict):
        if window.recommended is not None:
            assert window.recommended.probability >= window.confidence
            assert (rows_in(window, window.ranges)["probability"] >= window.confidence).all()


@given(st.integers(0, 300), st.floats(0.01, 100))
@settings(max_examples=6, deadline=None)
def test_units_of_a_response_do_not_matter(seed, scale):
    surfaces, study = demo_surfaces(seed, noise=2.0)
    study = coarse(study)
    scaled = required(study, width={"lower": -0.15 * scale, "upper": 0.15 * scale})
    values = {n: s.observations["value"].to_numpy(copy=True) for n, s in surfaces.items()}
    values["width"] *= scale
    again = find_window(fit_by_hand(scaled, composite(3), values), scaled)
    first = find_window(surfaces, study)
    np.testing.assert_allclose(again.grid["probability"], first.grid["probability"], atol=1e-7)
    assert again.share == pytest.approx(first.share, abs=2 / len(first.grid))


def test_thinned_grids_still_recommend_by_full_steps(monkeypatch):
    surfaces, study = demo_surfaces(noise=2.0)
    full = find_window(surfaces, study)
    # The same study looked at through a coarse grid.
    monkeypatch.setattr(looked, "LARGEST_GRID", 216)
    monkeypatch.setattr(looked, "FIRST_LOOK", 125)
    coarse = find_window(surfaces, study)
    assert len(coarse.grid) < len(full.grid)
    assert coarse.recommended.probability == pytest.approx(full.recommended.probability, abs=2e-4)
    box = rows_in(full, coarse.ranges)
    assert (box["probability"] >= full.confidence).all()
    assert any("even choice" in n for n in coarse.notes)


def test_the_surfaces_that_the_kit_fits_give_the_same_window():
    """From print means through `kit.model.fit` to the window, against the surfaces made by hand."""
    by_hand, study = demo_surfaces(noise=2.0)
    runs = make_runs(study.coding.decode(composite(3)))
    fitted = {}
    for name, s in by_hand.items():
        prints = pd.DataFrame(
            {"run": runs["run"], "value": s.observations["value"], "specimens": 1, "readings": 1}
        )
        fitted[name] = fit_surface(Measured(s.response, pd.DataFrame(), prints), runs, study)
    a, b = find_window(fitted, study), find_window(by_hand, study)
    np.testing.assert_allclose(a.grid["probability"], b.grid["probability"], atol=1e-9)
    assert a.recommended.settings == b.recommended.settings
    assert a.ranges == b.ranges
    assert a.joint


def test_eight_factors_get_a_setting_without_a_map():
    factors = [Factor(name=f"f{i}", low=0, high=10, step=1) for i in range(8)]
    study = made_study(factors, [Response(name="y", lower=0.0)])
    rng = np.random.default_rng(3)
    points = np.vstack([rng.choice([-1.0, 1.0], size=(16, 8)), np.zeros((2, 8))])
    y = points[:, 0] + 2 * points[:, 1] + rng.normal(size=len(points)) * 0.2
    window = find_window(fit_by_hand(study, points, {"y": y}, terms="main"), study)
    assert window.recommended is not None
    assert window.recommended.settings["f1"] > 5
    assert all(low == high for low, high in window.ranges.values())
    assert any("not every combination" in n for n in window.notes)


@pytest.mark.slow
@pytest.mark.parametrize(("straight", "allowed"), [(3.0, 0.03), (2.0, 0.03)])
def test_stated_chance_at_the_selected_setting_overstates_little(straight, allowed):
    """Choosing the best of 729 settings flatters; where effects stand clear of the scatter, by little.

    Measured beyond this test: with straight effects of SD below the scatter itself the selected
    setting overstates by 0.05 and more (see the notes of `find_window`).
    """
    rng = np.random.default_rng(23)
    over = []
    for _ in range(250):
        truth = draw_truth(rng, straight=straight)
        window = find_window(truth.readings(rng, printed(3)), truth.study)
        choice = window.recommended
        if choice is not None:
            over.append(
                choice.probability - truth.chance(coded_of(truth.study, choice.settings))[0]
            )
    assert len(over) > 100
    assert np.mean(over) <= allowed
