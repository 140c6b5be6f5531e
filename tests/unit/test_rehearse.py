"""The virtual printer: each disturbance does what it says, and rehearsals count what they claim."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kit.design.choose import choose_design
from kit.errors import StudyError
from kit.rehearse import Truth, VirtualPrinter, virtual_printer
from kit.rehearse_many import rehearse, rehearse_plan, supposed_printer, true_chance
from kit.rehearse_page import show_rehearsal
from kit.report.plan import new_plan
from kit.study.truth import read_truth
from tests.unit.design.studies import NOZZLE, SPEED, study
from tests.unit.report.test_plan_pages import DEMO

ASKED = study(NOZZLE, SPEED, family="central_composite", terms="second_order")
ASKED = ASKED.model_copy(update={"response": ASKED.response[1:2]})
RUNS = choose_design(ASKED)
FLAT = {"intercept": 40.0}


def means(truth: Truth, rng: np.random.Generator, runs: pd.DataFrame = RUNS, **printer: object):
    made = VirtualPrinter({"gloss": truth}, **printer)  # type: ignore[arg-type]
    return made.print_means(ASKED, runs, ASKED.response[0], rng)


def test_drift_rises_over_the_print_order(rng: np.random.Generator) -> None:
    found = means(Truth(FLAT, drift=3.0), rng)
    assert found[0] == 40.0
    assert found[-1] == 43.0
    assert np.allclose(np.diff(found), 3.0 / (len(RUNS) - 1))


def test_height_counts_within_a_stack(rng: np.random.Generator) -> None:
    runs = RUNS.head(10).assign(block=[1] * 5 + [2] * 5)
    found = means(Truth(FLAT, height=2.0), rng, runs)
    assert np.allclose(found - 40, [-2, -1, 0, 1, 2] * 2)


def test_blocks_and_spools_shift_together(rng: np.random.Generator) -> None:
    runs = RUNS.head(10).assign(block=[1] * 5 + [2] * 5)
    found = means(Truth(FLAT, block_sd=1.0), rng, runs)
    assert np.unique(found.round(9)).size == 2
    whole = means(Truth(FLAT, group_sd={"spool": 1.0}), rng, runs)
    assert np.unique(whole.round(9)).size == 1
    assert whole[0] != 40.0


def test_a_hot_thermometer_moves_the_truth(rng: np.random.Generator) -> None:
    slope = Truth({**FLAT, "nozzle": 10.0})
    shifted = means(slope, rng, offset=10.0) - means(slope, rng)
    assert np.allclose(shifted, 5.0)


def test_prints_fail_at_the_melt_limit_and_at_random(rng: np.random.Generator) -> None:
    asked = study(
        NOZZLE, SPEED, family="central_composite",
        printer={"melt_limit": 8.0, "acceleration": 5000.0}, specimen={"straight_path": 80},
    )  # fmt: skip
    runs = choose_design(asked)
    printer = VirtualPrinter({}, fails_at_melt_limit=True)
    counts: dict[str, int] = {}
    for _ in range(50):
        for run in printer.failing(asked, runs, rng):
            counts[run] = counts.get(run, 0) + 1
    fast = set(runs[runs["speed"] == 120]["run"])
    assert set(counts) == fast
    assert all(c > 45 for c in counts.values())
    assert len(VirtualPrinter({}, fail_chance=1.0).failing(asked, runs, rng)) == len(runs)


def test_old_truths_draw_what_they_drew(rng: np.random.Generator) -> None:
    again = np.random.default_rng(20240817)
    assert np.array_equal(
        means(Truth(FLAT, print_sd=1.0), rng), 40 + again.normal(0, 1.0, len(RUNS))
    )


def test_the_true_chance_is_the_normal_one() -> None:
    printer = VirtualPrinter({"gloss": Truth(FLAT, print_sd=3.0, specimen_sd=4.0)})
    settings = RUNS[["nozzle", "speed"]].head(1)
    # 10 GU above the lower limit of 30, SD 5: two SDs.
    assert true_chance(ASKED, printer, settings)[0] == pytest.approx(0.97725, abs=1e-5)


def test_a_rehearsal_counts_effects_found_and_false_alarms(rng: np.random.Generator) -> None:
    printer = VirtualPrinter({"gloss": Truth({**FLAT, "nozzle": 5.0}, print_sd=1.0)})
    done: list[int] = []
    found = rehearse(ASKED, RUNS, printer, times=150, rng=rng, progress=done.append, windows=False)
    table = found.effects.set_index("term")
    assert sum(done) == 150
    assert table.loc["nozzle", "found"] > 0.99
    assert table.loc["speed", "found"] == pytest.approx(0.05, abs=0.06)
    assert table["covered"].mean() == pytest.approx(0.95, abs=0.03)
    assert "150 times" in show_rehearsal(found).plain()


def test_power_foretold_is_power_rehearsed(rng: np.random.Generator) -> None:
    plan = new_plan(ASKED)
    effect = next(e for e in plan.precision.effects if e.term.name == "nozzle")
    printer = VirtualPrinter(
        {"gloss": Truth({**FLAT, "nozzle": effect.smallest / 2}, print_sd=1.0)}
    )
    found = rehearse(ASKED, plan.runs, printer, times=120, rng=rng, windows=False)
    share = float(found.effects.set_index("term").loc["nozzle", "found"])
    assert share == pytest.approx(0.8, abs=3 * np.sqrt(0.16 / 120))


def test_windows_are_judged_by_the_truth(rng: np.random.Generator) -> None:
    printer = VirtualPrinter({"gloss": Truth({"intercept": 30.0, "nozzle": 8.0}, print_sd=1.0)})
    found = rehearse(ASKED, RUNS, printer, times=4, rng=rng)
    assert found.exists
    assert found.recommended == 1.0
    assert found.kept == 1.0
    assert "truly" in show_rehearsal(found).plain()


def test_too_many_failures_are_counted(rng: np.random.Generator) -> None:
    printer = VirtualPrinter({"gloss": Truth(FLAT, print_sd=1.0)}, fail_chance=0.9)
    found = rehearse(ASKED, RUNS, printer, times=5, rng=rng, windows=False)
    assert found.lost == 5
    assert found.effects.empty
    assert "could not be fitted" in show_rehearsal(found).plain()


def test_rehearsing_the_demo_reads_its_truth() -> None:
    found = rehearse_plan(DEMO, 2, progress=False)
    assert found.stated
    assert set(found.effects["response"]) == {"width_error", "gloss", "strength"}


def test_without_a_truth_every_setting_is_supposed_to_matter() -> None:
    truth = supposed_printer(new_plan(ASKED)).truths["gloss"]
    assert truth.coefficients == {"intercept": 30.0, "nozzle": 1.0, "speed": 1.0}
    assert truth.print_sd == 1.0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[truth.gloss", "cannot be read"),
        ("offset = 3", "write a section"),
        ("[truth.glos]\ncoefficients = {}", "no such response"),
        ("[truth.gloss]\nprint_sd = 1", "write coefficients"),
        ("[truth.gloss]\ncoefficients = { nozle = 1 }", "no factor 'nozle'"),
        ("[truth.gloss]\ncoefficients = {}\nprint_sd = -1", "0 or more"),
        ("[truth.gloss]\ncoefficients = {}\nprint_ds = 1", "print_sd"),
        ('[truth.gloss]\ncoefficients = { nozzle = "a" }', "a number"),
        ('offset = "hot"\n[truth.gloss]\ncoefficients = {}', "a number"),
    ],
)
def test_faults_of_a_truth_are_named(tmp_path, text: str, said: str) -> None:
    (tmp_path / "truth.toml").write_text(text)
    with pytest.raises(StudyError, match=said):
        read_truth(tmp_path, ASKED)


def test_a_folder_without_a_truth_has_none(tmp_path) -> None:
    assert read_truth(tmp_path, ASKED) is None
    (tmp_path / "truth.toml").write_text("[truth.gloss]\ncoefficients = { nozzle = 2 }\n")
    described = read_truth(tmp_path, ASKED)
    assert described is not None
    assert virtual_printer(described).truths["gloss"].coefficients == {"nozzle": 2}


@pytest.mark.slow
def test_trap_specimens_taken_for_replicates() -> None:
    # The print is the experimental unit: counted as prints, its specimens give false alarms.
    rng = np.random.default_rng(8)
    asked = study(NOZZLE, SPEED, terms="main", specimen={"specimens_per_print": 4})
    asked = asked.model_copy(update={"response": asked.response[1:2]})
    runs = choose_design(asked)
    printer = VirtualPrinter({"gloss": Truth(FLAT, print_sd=1.0, specimen_sd=0.5)})
    right = rehearse(asked, runs, printer, times=800, rng=rng, windows=False)
    assert right.effects["found"].mean() == pytest.approx(0.05, abs=0.02)
    coded = asked.coding.code(runs)
    X = np.column_stack([np.ones(len(runs)), coded]).repeat(4, axis=0)
    wrong = 0
    for _ in range(800):
        y = rng.normal(0, 1, len(runs)).repeat(4) + rng.normal(0, 0.5, len(X))
        wrong += _found(X, y, 1)
    assert wrong / 800 > 0.2


@pytest.mark.slow
def test_trap_bed_changes_ignored() -> None:
    # A split-plot plan judged with random blocks keeps its 5 %; taken for free prints it cries wolf.
    from tests.unit.design.studies import BED, FAN

    rng = np.random.default_rng(9)
    asked = study(BED, NOZZLE, FAN, family="split_plot", runs=20, changes=8, terms="main")
    asked = asked.model_copy(update={"response": asked.response[1:2]})
    runs = choose_design(asked)
    printer = VirtualPrinter({"gloss": Truth(FLAT, print_sd=1.0, block_sd=1.0)})
    right = rehearse(asked, runs, printer, times=400, rng=rng, windows=False)
    alarms = float(right.effects.set_index("term").loc["bed", "found"])
    assert alarms < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)
    free = asked.model_copy(update={"model": asked.model.model_copy(update={"blocks": "none"})})
    wrong = rehearse(free, runs, printer, times=400, rng=rng, windows=False)
    assert float(wrong.effects.set_index("term").loc["bed", "found"]) > 0.15


@pytest.mark.slow
def test_trap_monotone_stacks() -> None:
    # Height moves gloss, nozzle does not: a rising order blames the nozzle every time, a mixed one does not.
    rng = np.random.default_rng(10)
    mixed = study(NOZZLE, family="height_stacked", terms="main")
    mixed = mixed.model_copy(update={"response": mixed.response[1:2]})
    rising = study(NOZZLE, family="height_stacked", terms="main", level_order="rising", insist=True)
    rising = rising.model_copy(update={"response": rising.response[1:2]})
    printer = VirtualPrinter({"gloss": Truth(FLAT, print_sd=0.5, block_sd=1.0, height=2.0)})
    good = rehearse(mixed, choose_design(mixed), printer, times=400, rng=rng, windows=False)
    bad = rehearse(rising, choose_design(rising), printer, times=50, rng=rng, windows=False)
    assert float(good.effects["found"].iloc[0]) == pytest.approx(0.05, abs=0.04)
    assert float(bad.effects["found"].iloc[0]) > 0.99


def _found(X: np.ndarray, y: np.ndarray, i: int) -> bool:
    from scipy.stats import t as student

    b, rest, *_ = np.linalg.lstsq(X, y, rcond=None)
    df = len(y) - X.shape[1]
    error = np.sqrt(rest[0] / df * np.linalg.inv(X.T @ X)[i, i])
    return bool(abs(b[i]) > student.ppf(0.975, df) * error)
