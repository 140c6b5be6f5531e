"""The plan's page, its command and what it writes: one study folder a test, in a temporary place."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from kit.cli import main
from kit.errors import DesignError, UsageError
from kit.report.beside import beside_table, plans_beside, varied
from kit.report.document import FigureBlock, Group, flatten
from kit.report.plan import make_plan, new_plan, propose_plan
from kit.report.plan_added import make_added
from kit.report.plan_extras import write_commands, write_labels
from kit.report.plan_numbers import plan_results, show_plan_provenance
from kit.report.show_plan_questions import (
    cost,
    essentials,
    show_plan_blind,
    show_plan_sight,
    show_plan_technical,
)
from kit.report.show_plan_size import show_plan_size
from kit.report.small_steps import (
    show_running_effects,
    show_small_steps,
    show_small_steps_cautions,
    show_small_steps_provenance,
    small_steps_numbers,
    study_small_steps,
)
from kit.study.intake import take_in
from tests.unit.design.studies import BED, FAN, NOZZLE, SPEED, study

DATA = Path(__file__).parents[3] / "data"
DEMO = DATA / "satin-or-gloss"
HOOKS = DATA / "small-steps-on-hooks"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(DEMO, tmp_path / "study"))


def test_half_widths_stand_in_the_unit_of_the_response() -> None:
    plan = propose_plan(DEMO)
    group = show_plan_sight(plan)
    text = group.plain()
    assert "gloss (GU)" in text
    effect = plan.precision.effects[0]
    sd = plan.noises["gloss"].sd
    assert f"±{sd * effect.half_width:.1f} ({sd * effect.smallest:.1f})" in text
    assert "from 4 prints made alike" in text


def test_the_noise_is_the_scatter_of_the_centre_points() -> None:
    plan = propose_plan(DEMO)
    runs = take_in(DEMO).runs
    centre = runs[runs["note"] == "centre point"]["run"].astype(str)
    prints = plan.measured["gloss"].prints
    values = prints[prints["run"].astype(str).isin(centre)]["value"]
    assert plan.noises["gloss"].sd == pytest.approx(values.std(ddof=1))
    assert plan.noises["gloss"].df == 3


def test_a_stated_scatter_and_a_margin_count(folder: Path) -> None:
    text = (folder / "study.toml").read_text()
    text = text.replace("lower = 46\n", "lower = 46\nscatter = 2.0\nmargin = 5\n")
    (folder / "study.toml").write_text(text)
    plan = propose_plan(folder)
    assert plan.noises["gloss"].sd == 2.0
    assert "A difference of 5 GU in gloss" in show_plan_sight(plan).plain()
    size = show_plan_size(plan, 9.0).plain()
    assert "5 GU" in size
    assert "specimens a print" in size


def test_without_any_noise_all_is_in_multiples_of_it() -> None:
    text = show_plan_sight(new_plan(study(family="central_composite"))).plain()
    assert "In SD of prints made alike" in text
    assert "nozzle: in SD of prints made alike" in "\n".join(essentials(new_plan(study(NOZZLE))))
    assert "Nothing is known of the scatter" in text


def test_blind_spots_are_named() -> None:
    plan = new_plan(study(NOZZLE, SPEED, FAN, family="full_factorial"))
    text = show_plan_blind(plan).plain()
    assert "They cannot tell: the bend of speed and the bend of fan." in text
    assert "straight line: nozzle, speed and fan together" in show_plan_sight(plan).plain()
    assert (
        "Only the sum of the bend of nozzle, the bend of speed and the bend of fan can be seen."
        in text
    )


def test_map_and_curve_carry_words_and_numbers() -> None:
    plan = propose_plan(DEMO)
    figures = [b for b in flatten([show_plan_blind(plan)]) if isinstance(b, FigureBlock)]
    assert [f.name for f in figures] == ["plan-doubt", "plan-shares"]
    half = plan.noises["width_error"].sd * np.quantile(plan.precision.shares, 0.5)
    assert f"{half:.3g}" in figures[1].alt


def test_costs_count_changes_of_what_is_hard_to_change() -> None:
    plan = new_plan(study(BED, NOZZLE, FAN, family="split_plot", runs=20, changes=8))
    rows = dict(cost(plan))
    beds = plan.runs.sort_values("print_order")["bed"].to_numpy()
    assert rows["Changes of bed"] == str(int((beds[1:] != beds[:-1]).sum()))
    stacked = new_plan(study(NOZZLE, family="height_stacked"))
    assert dict(cost(stacked))["Prints"] == "5"


def test_technical_figures_give_efficiencies() -> None:
    text = show_plan_technical(new_plan(study(family="optimal", runs=16))).plain()
    assert "D-efficiency" in text
    assert "Largest leverage" in text


def test_plans_side_by_side() -> None:
    beside = plans_beside(propose_plan(DEMO), "box_behnken, optimal 16")
    table = beside_table(beside)
    assert table.columns[1:] == ("this plan (central composite)", "Box-Behnken", "optimal 16")
    assert table.rows[0] == ("Prints", "18", "15", "16")
    refused = plans_beside(propose_plan(DEMO), "definitive_screening")
    assert "4 to 12 factors" in refused.refused["definitive screening"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("boxes", "no family"),
        ("optimal colour=3", "write one of"),
        ("optimal runs=none", "runs"),
    ],
)
def test_plans_that_are_not_understood(text: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        varied(study(), text)


def test_too_many_plans_side_by_side() -> None:
    with pytest.raises(UsageError, match="at most 2"):
        plans_beside(propose_plan(DEMO), "optimal, box_behnken, split_plot")


def test_added_runs_are_a_round_and_a_block_of_their_own(folder: Path) -> None:
    before = take_in(folder).runs
    added, written = make_added(folder, "doubt", 5)
    after = take_in(folder).runs
    fresh = after[after["round"] == "added 1"]
    assert len(fresh) == 5
    assert set(fresh["block"]) == {int(before["block"].max()) + 1}
    assert after.head(len(before)).equals(before)
    assert written.name == "added 1"
    assert make_added(folder, "doubt", 4)[1].name == "added 2"
    assert len(added.sentences) >= 2


def test_the_command_adds_sets_beside_and_writes_extras(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plan", str(folder), "--add", "nonsense"]) == 2
    assert main(["plan", str(folder), "--beside", "box_behnken"]) == 0
    assert "Box-Behnken" in capsys.readouterr().out
    assert not (folder / "sheets").exists()
    assert main(["plan", str(folder), "--add", "narrow the doubt", "--runs", "4"]) == 0
    assert main(["plan", str(folder), "--commands", "--labels"]) == 0
    assert (folder / "sheets" / "commands.txt").read_text().count("; run ") == 4
    key = pd.read_csv(folder / "labels.csv", dtype=str)
    assert list(key.columns) == ["label", "run", "specimen"]
    assert "<svg" in (folder / "sheets" / "labels.html").read_text()


def test_labels_are_the_same_each_time(folder: Path) -> None:
    write_labels(folder)
    first = (folder / "labels.csv").read_bytes()
    write_labels(folder)
    assert (folder / "labels.csv").read_bytes() == first


def test_extras_need_a_plan(tmp_path: Path) -> None:
    shutil.copy(DEMO / "study.toml", tmp_path)
    for write in (write_commands, write_labels):
        with pytest.raises(DesignError, match="no plan yet"):
            write(tmp_path)


def test_the_command_says_the_essentials(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (DEMO / "study.toml").read_text().replace("lower = 46", "lower = 46\nscatter = 1.5")
    (tmp_path / "study.toml").write_text(text)
    assert main(["plan", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert "From low to high of nozzle, speed and fan: gloss (GU) ±" in out
    assert "8 prints to spare" in out
    assert len(essentials(propose_plan(tmp_path))) >= 5


def test_an_insisted_order_is_marked_on_every_page(tmp_path: Path) -> None:
    text = (DEMO / "study.toml").read_text()
    text = text.replace(
        'axial = "face"\ncentre_points = 4', 'level_order = "rising"\ninsist = true'
    )
    text = text.replace("central_composite", "height_stacked")
    for name in ("speed", "fan"):
        at = text.index(f'name = "{name}"')
        end = text.index("step = 5", at)
        text = text[:end] + "hard_to_change = true\n" + text[end:]
    (tmp_path / "study.toml").write_text(text.replace('terms = "second_order"', 'terms = "main"'))
    assert any("by choice" in n for n in take_in(tmp_path).notices)
    plan = propose_plan(tmp_path)
    assert any("by choice" in n for n in plan.notes)


def test_small_steps_page_of_the_demo() -> None:
    found = study_small_steps(HOOKS)
    assert found.verdict == "move"
    assert "nozzle 241 °C" in found.reason
    page = show_small_steps(found).plain()
    assert "After 4 complete cycles" in page
    assert isinstance(show_running_effects(found), Group)
    with pytest.raises(DesignError, match="small_steps"):
        study_small_steps(DEMO)


def test_the_prints_of_an_adopter_are_not_planned_over(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(DEMO.parent / "satin-next-door", tmp_path / "mine"))
    (folder / "readings.csv").unlink()
    runs = (folder / "runs.csv").read_text(encoding="utf-8").replace("printed", "planned")
    (folder / "runs.csv").write_text(runs, encoding="utf-8", newline="")
    with pytest.raises(DesignError, match="carries another one over"):
        make_plan(folder)
    assert (folder / "runs.csv").read_text(encoding="utf-8") == runs


def test_small_steps_end_like_every_page_and_leave_numbers() -> None:
    found = study_small_steps(HOOKS)
    numbers = small_steps_numbers(found).numbers
    assert numbers["small_steps"]["verdict"] == found.verdict
    effect = numbers["small_steps"]["responses"]["deflection"]["effects"]["nozzle"]
    assert effect["low"] < effect["estimate"] < effect["high"]
    assert "Scope: Coat hooks" in show_small_steps_cautions(found).plain()
    assert "readings.csv" in show_small_steps_provenance(found).plain()
    assert "corners against the middle" in show_running_effects(found).plain()


def test_the_demo_of_small_steps_is_what_its_truth_gives() -> None:
    from tests.demo_data import tables_of

    for name, text in tables_of(HOOKS).items():
        assert (HOOKS / name).read_text(encoding="utf-8") == text


def test_numbers_of_a_plan_are_those_of_its_model_matrix() -> None:
    plan = propose_plan(DEMO)
    found = plan_results(plan)
    made = [r for r in found["plan"]["runs"] if r["run"] != "16"]  # that print failed
    x = np.array(
        [[(r["nozzle"] - 210) / 20, (r["speed"] - 80) / 40, (r["fan"] - 60) / 40] for r in made]
    )
    pairs = [x[:, i] * x[:, j] for i in range(3) for j in range(i, 3)]
    X = np.column_stack([np.ones(len(x)), x, *pairs])
    df = len(X) - X.shape[1]
    change = 2 * np.sqrt(np.linalg.inv(X.T @ X)[1, 1])  # from low to high
    nozzle = found["plan"]["effects"]["nozzle"]
    assert found["plan"]["residual_df"] == df
    assert nozzle["half_width"] == pytest.approx(change * stats.t.ppf(0.975, df))
    sd = found["plan"]["scatter"]["gloss"]
    assert nozzle["in_units"]["gloss"]["half_width"] == pytest.approx(nozzle["half_width"] * sd)
    assert set(found["provenance"]["input_digests"]) == {"study.toml", "runs.csv", "readings.csv"}
    assert "4207" in show_plan_provenance(plan).plain()
