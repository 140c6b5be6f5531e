"""Screening: published effects and margins, aliases by name, curvature, refusals, false alarms."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kit.errors import ModelError
from kit.model.screening import CLEAR, Screening, lenth_margins, screen
from tests.reference.cases import load_case
from tests.unit.model.builders import make_measured, make_runs, make_study


def screened(table: pd.DataFrame, names: list[str], y: str) -> Screening:
    factors = {n: (float(table[n].min()), float(table[n].max())) for n in names}
    study = make_study(factors, terms="main")
    runs = make_runs(table[names])
    return screen(make_measured(study, runs, table[y].tolist()), runs, study)


CASES = {
    "f01_ceramic_2_5": ["speed", "rate", "grit", "direction", "batch"],
    "f03_process_2_4": ["x1", "x2", "x3", "x4"],
    "f05_filtration_2_7_4": [f"x{i}" for i in range(1, 8)],
}


@pytest.mark.parametrize("name", CASES)
def test_published_effects_and_margins(name: str) -> None:
    case, names = load_case(name), CASES[name]
    table = case.table()
    found = screened(table, names, "y")
    assert len(found.effects) == len(table) - 1
    for row in found.effects.to_dict("records"):
        case.check(f"effect {row['effect']}", row["estimate"])
    case.check("lenth_pse", found.lenth.pse)
    case.check("lenth_margin_of_error_95", found.lenth.margin)
    case.check("lenth_simultaneous_margin_95", found.lenth.joint_margin)


def test_half_fraction_names_what_is_mixed_up() -> None:
    table = full(4)
    table["e"] = table["a"] * table["b"] * table["c"] * table["d"]
    table["y"] = 3 * table["a"] + table["b"] * table["c"] + np.linspace(0, 0.3, 16)
    found = screened(table, list("abcde"), "y").effects.set_index("effect")
    assert found.loc["a", "verdict"] == CLEAR
    assert found.loc["b:c", "mixed_with"] == "a:d:e"
    assert found.loc["a", "mixed_with"] == ""  # with b:c:d:e only, too deep to name


def full(k: int) -> pd.DataFrame:
    points = np.array(np.meshgrid(*[[-1.0, 1.0]] * k)).reshape(k, -1).T
    return pd.DataFrame(points, columns=list("abcdef")[:k])


def test_mixed_up_singles_are_said() -> None:
    table = full(2)
    table["c"] = table["a"] * table["b"]
    table = pd.concat([table.assign(d=1.0), table.assign(d=-1.0)], ignore_index=True)
    table["y"] = [1.0, 4, 2, 8, 5, 7, 1.5, 3]
    found = screened(table, list("abcd"), "y")
    assert "c with a × b" in found.notes[0]


def test_twelve_runs_judge_single_settings(rng: np.random.Generator) -> None:
    row = [1, 1, -1, 1, 1, 1, -1, -1, -1, 1, -1]
    points = np.array([np.roll(row, i) for i in range(11)] + [[-1] * 11], dtype=float)
    table = pd.DataFrame(points[:, :6], columns=list("abcdef"))
    table["y"] = 5 * table["a"] + 0.3 * rng.normal(size=12)
    found = screened(table, list("abcdef"), "y")
    assert found.effects["effect"].tolist() == list("abcdef")
    assert found.effects["verdict"][0] == CLEAR
    assert "only single settings are judged" in " ".join(found.notes)


def test_curvature_from_prints_in_the_middle(rng: np.random.Generator) -> None:
    table = pd.concat([full(3), pd.DataFrame(0.0, index=range(4), columns=list("abc"))])
    table = table.reset_index(drop=True)
    table["y"] = 10 - 6 * table["a"] ** 2 + 0.3 * rng.normal(size=12)
    estimate, low, high = screened(table, list("abc"), "y").curvature
    assert low < 6 < high
    assert estimate == pytest.approx(6, abs=1)


def test_what_is_no_two_level_plan_is_refused() -> None:
    table = full(2).assign(y=[1.0, 2, 3, 4])
    with pytest.raises(ModelError, match="not printed equally often"):
        screened(table.iloc[:3], ["a", "b"], "y")
    star = pd.concat([table, pd.DataFrame({"a": [0.0], "b": [1.0], "y": [2.0]})], ignore_index=True)
    with pytest.raises(ModelError, match="low and high ends"):
        screened(star, ["a", "b"], "y")
    with pytest.raises(ValueError, match="too few"):
        lenth_margins([1.0, 2.0])


@pytest.mark.parametrize(("m", "low", "high"), [(7, 0.01, 0.05), (15, 0.01, 0.05)])
def test_false_alarms_and_power_of_the_margin(
    m: int, low: float, high: float, rng: np.random.Generator
) -> None:
    # The margins are cautious for so few effects (known since: Ye & Hamada, J. Qual. Technol. 32, 2000, from memory).
    repeats, single, largest, seen = 1500, 0, 0, 0
    for _ in range(repeats):
        effects = rng.normal(size=m)
        found = lenth_margins(effects)
        single += int(np.sum(np.abs(effects) > found.margin))
        largest += bool(np.abs(effects).max() > found.joint_margin)
        effects[0] += 8
        seen += bool(abs(effects[0]) > lenth_margins(effects).margin)
    assert low < single / repeats / m < high
    assert 0.005 < largest / repeats < 0.06
    assert seen / repeats > 0.9
