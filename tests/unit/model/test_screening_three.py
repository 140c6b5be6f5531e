"""Three-level screening: straight effects first, bends and joint effects only among what matters."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.errors import ModelError
from kit.model.screening import CLEAR, QUIET
from kit.model.screening_three import is_mirrored, screen_mirrored
from kit.report.screening import screen_study, screening_results
from kit.report.show_screening import show_mixed_up, show_screening_answer, show_screening_effects
from tests.demo_data import DATA, tables_of
from tests.unit.model.mixed_folders import write_study

NAMES = list("abcdef")


def conference_plan() -> np.ndarray:
    """Thirteen prints of six settings from the conference matrix of order 6 (Paley), mirrored, with a middle."""
    residue = {1: 1, 4: 1, 2: -1, 3: -1, 0: 0}
    core = np.array([[residue[(i - j) % 5] for j in range(5)] for i in range(5)])
    C = np.zeros((6, 6))
    C[0, 1:], C[1:, 0], C[1:, 1:] = 1, 1, core
    return np.vstack([C, -C, np.zeros((1, 6))])


def test_plan_is_mirrored_and_its_straight_effects_stand_alone() -> None:
    plan = conference_plan()
    assert is_mirrored(plan)
    np.testing.assert_allclose(plan.T @ plan, 10 * np.eye(6))
    for i in range(6):
        for j in range(i, 6):
            np.testing.assert_allclose(plan.T @ (plan[:, i] * plan[:, j]), 0, atol=1e-12)
    assert not is_mirrored(plan[:-2])
    assert not is_mirrored(np.array([[1.0, 1], [-1, -1], [1, -1], [-1, 1]]))


def test_planted_bend_and_joint_effect_are_found(rng: np.random.Generator) -> None:
    plan, hits = conference_plan(), 0
    for _ in range(40):
        y = 50 + 5 * plan[:, 0] - 4 * plan[:, 1] - 4 * plan[:, 0] ** 2 + 0.4 * rng.normal(size=13)
        found = screen_mirrored(plan, y, NAMES, "gloss").effects.set_index("effect")
        assert found.loc["a", "estimate"] == pytest.approx(10, abs=1.5)
        assert found.loc["a", "verdict"] != QUIET
        hits += "a^2" in found.index
        assert not any("c" in name for name in found.index if name.count(":") or "^" in name)
    assert hits >= 38


def test_straight_effects_do_not_feel_bends(rng: np.random.Generator) -> None:
    plan, noise = conference_plan(), rng.normal(size=13)
    flat = screen_mirrored(plan, 5 * plan[:, 0] + noise, NAMES, "gloss").effects["estimate"][:6]
    bent = 5 * plan[:, 0] + 30 * plan[:, 1] ** 2 + noise
    np.testing.assert_allclose(
        screen_mirrored(plan, bent, NAMES, "gloss").effects["estimate"][:6], flat
    )


def test_false_alarms_under_nothing(rng: np.random.Generator) -> None:
    plan, clear = conference_plan(), 0
    for _ in range(300):
        found = screen_mirrored(plan, rng.normal(size=13), NAMES, "gloss").effects
        clear += bool((found.loc[found["order"] == 1, "verdict"] == CLEAR).any())
    assert clear / 300 < 0.08


def test_what_cannot_be_judged_is_refused() -> None:
    with pytest.raises(ModelError, match="cannot be judged"):
        screen_mirrored(
            np.array([[1.0, 0], [-1, 0], [0, 1], [0, -1]]), np.arange(4.0), ["a", "b"], "gloss"
        )


def test_three_levels_from_a_study_folder(tmp_path: Path, rng: np.random.Generator) -> None:
    plan = conference_plan()
    table = pd.DataFrame(100 + 10 * plan, columns=[f"s{n}" for n in NAMES])
    y = 50 + 5 * plan[:, 0] - 4 * plan[:, 0] ** 2 + 0.3 * rng.normal(size=13)
    factors = {name: {"low": 90.0, "high": 110.0} for name in table}
    folder = write_study(
        tmp_path, table, factors, block=None, value=y.round(3), model={"terms": "main"}
    )
    found = screen_study(folder)
    numbers = screening_results(found)["screening"]["y"]["effects"]
    assert numbers["sa"]["estimate"] == pytest.approx(10, abs=1)
    assert numbers["sa^2"]["estimate"] == pytest.approx(-4, abs=1)
    assert "optimistic" in show_screening_answer(found).plain()
    assert "Sa squared" in show_screening_effects(found).plain()


def test_demo_is_what_its_truth_and_seed_make_and_is_found() -> None:
    folder = DATA / "which-settings-matter"
    for name, text in tables_of(folder).items():
        assert (folder / name).read_text(encoding="utf-8") == text
    found = screen_study(folder)
    gloss = found.screenings["gloss"].effects.set_index("effect")
    truth = {"nozzle": 8.0, "speed": -6.4, "dried": 5.0, "bed": 0.0, "fan": 0.0, "flow": 0.0}
    for name, effect in truth.items():
        assert gloss.loc[name, "low"] < effect < gloss.loc[name, "high"]
        assert (gloss.loc[name, "verdict"] != QUIET) == (effect != 0)
    answer = show_screening_answer(found).plain()
    assert "Bed and fan do nothing that rises above the scatter" in answer
    assert "no proof of no effect" in answer
    assert "Nozzle × bed" in show_mixed_up(found).plain()


def test_terms_are_chosen_on_request_and_marked_optimistic(tmp_path: Path) -> None:
    folder = shutil.copytree(DATA / "which-settings-matter", tmp_path / "study")
    described = folder / "study.toml"
    text = described.read_text(encoding="utf-8")
    described.write_text(text.replace("[model]", '[model]\nselection = "aicc"'), encoding="utf-8")
    found = screen_study(folder)
    chosen = screening_results(found)["screening"]["gloss"]["selection"]
    assert chosen["kept"] == ["nozzle", "speed", "dried"]  # what truth.toml has at work
    assert chosen["optimistic"] is True
    assert "Caution, optimistic" in show_screening_answer(found).plain()
    assert "Left out: bed, fan and flow" in show_screening_effects(found).plain()
    assert not screen_study(DATA / "which-settings-matter").selected
