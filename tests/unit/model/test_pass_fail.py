"""Pass/fail responses and failed prints as surfaces, from the file to the answer."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.analysis import analyse
from kit.errors import ModelError, StudyError
from kit.model.pass_fail import PassScale, outcome_surfaces
from kit.report.results import results_document
from kit.report.show_answer import show_answer
from kit.report.show_confirm import show_confirmation_prints
from kit.report.show_sureness import show_confidence
from kit.report.show_window import show_window
from kit.study.description import COMES_OUT
from kit.window.probability import chance_to_meet
from tests.demo_data import DATA

GRIP = """[[response]]
name = "grip"
label = "bed grip"
from = "pass_fail"
lower = 1

[design]"""


def made(
    tmp_path: Path, *, grip: str = "", words: tuple[str, str] = ("yes", "no"), more: str = ""
) -> Path:
    """Copy the demo study, with a pass/fail response where ``grip`` names the runs that failed it."""
    folder = tmp_path / "study"
    shutil.copytree(DATA / "satin-or-gloss", folder, ignore=shutil.ignore_patterns("report"))
    text = (folder / "study.toml").read_text(encoding="utf-8")
    text = text.replace("confidence = 0.90", f"confidence = 0.80\n{more}")
    if grip:
        text = text.replace("[design]", GRIP, 1)
        runs = pd.read_csv(folder / "runs.csv", dtype=str)
        failed = grip.split()
        rows = [
            f"{run},A,grip,{words[1] if run in failed else words[0]},,1,,,,"
            for run in runs.loc[runs["status"] == "printed", "run"]
        ]
        readings = folder / "readings.csv"
        old = readings.read_text(encoding="utf-8").rstrip("\n")
        readings.write_text("\n".join([old, *rows]) + "\n", encoding="utf-8")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    return folder


def at_answer(analysis) -> np.ndarray:
    choice = analysis.window.recommended or analysis.window.best_compromise
    return analysis.study.coding.code({n: [v] for n, v in choice.settings.items()})


@pytest.mark.parametrize("words", [("Pass", "FAIL"), ("1", "0")])
def test_words_are_read(tmp_path, words) -> None:
    analysis = analyse(made(tmp_path, grip="03 05", words=words))
    grip = analysis.outcomes["grip"]
    missed = grip.observations.loc[grip.observations["value"] == 0, "run"]
    assert sorted(missed) == ["03", "05"]
    assert grip.success.failures == 2


def test_pass_fail_enters_the_chance(tmp_path) -> None:
    analysis = analyse(made(tmp_path, grip="03 05 10"))
    assert "grip" not in analysis.surfaces
    at = at_answer(analysis)
    choice = analysis.window.recommended or analysis.window.best_compromise
    passing = analysis.outcomes["grip"].typical(at)[0]
    measured = chance_to_meet(analysis.surfaces, at)[0]
    assert choice.probability == pytest.approx(measured * passing, rel=1e-12)
    assert choice.alone["grip"] == pytest.approx(passing)
    assert choice.predictions["grip"].mean == pytest.approx(passing)
    assert choice.low < choice.probability < choice.high
    numbers = results_document(analysis)
    assert set(numbers["outcomes"]) == {"grip"}
    assert numbers["outcomes"]["grip"]["failures"] == 3
    assert "grip" not in numbers["models"]
    page = show_answer(analysis).plain() + show_confidence(analysis).plain()
    assert "bed grip passes" in page
    assert "counts as independent" in page


def test_failed_prints_count_when_asked_for(tmp_path) -> None:
    plain = analyse(made(tmp_path / "plain"))
    counted = analyse(made(tmp_path / "counted", more="failed_prints = true"))
    assert not plain.outcomes
    assert set(counted.outcomes) == {COMES_OUT}
    at = at_answer(counted)
    choice = counted.window.recommended or counted.window.best_compromise
    out = counted.outcomes[COMES_OUT].typical(at)[0]
    assert choice.probability == pytest.approx(
        chance_to_meet(plain.surfaces, at)[0] * out, rel=1e-9
    )
    assert "print comes out" in show_answer(counted).plain()
    told = show_answer(plain).plain()
    assert "with failed prints counted as not met it would be" in told


def test_nothing_can_be_promised_when_most_prints_fail_it(tmp_path) -> None:
    analysis = analyse(made(tmp_path, grip="01 02 03 04 05 06 07 08 09 10 11 12"))
    choice = analysis.window.best_compromise
    assert choice is not None
    assert choice.binding == "grip"
    relaxed = {r.response: r for r in analysis.window.relaxations}
    assert relaxed["grip"].side == "passes"
    assert relaxed["grip"].needed is None
    assert relaxed["grip"].probability_without > 0.8
    assert "no limit to move" in show_window(analysis).plain()


def test_all_pass_is_no_proof(tmp_path) -> None:
    analysis = analyse(made(tmp_path, grip="none"))
    expected = analysis.outcomes["grip"].typical(at_answer(analysis))[0]
    assert 0.9 < expected < 0.999
    assert "do not prove" in show_confidence(analysis).plain()


def test_other_printers_count_it_as_well(tmp_path) -> None:
    folder = made(tmp_path, grip="03 05", more="other_printers = true\nfailed_prints = true")
    analysis = analyse(folder)
    choice = analysis.window.recommended or analysis.window.best_compromise
    assert choice.low < choice.probability < choice.high
    assert {"grip", COMES_OUT} <= set(choice.alone)
    assert choice.probability <= min(choice.alone.values())
    sides = analysis.window.elsewhere
    assert sides.for_elsewhere.average == pytest.approx(choice.probability, abs=1e-6)


@pytest.mark.parametrize(
    ("cell", "words"), [("maybe", "is yes or no"), ("0.5", "is yes or no"), ("2", "is yes or no")]
)
def test_other_readings_are_problems(tmp_path, cell, words) -> None:
    folder = made(tmp_path, grip="03")
    readings = folder / "readings.csv"
    readings.write_text(readings.read_text().replace("03,A,grip,no", f"03,A,grip,{cell}"))
    with pytest.raises(StudyError, match=words):
        analyse(folder)


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("lower = 0.5", "write lower = 1"),
        ("lower = 1\nupper = 2", "upper says nothing"),
        ("lower = 1\ntarget = 1", "target says nothing"),
        ('lower = 1\nscale = "log"', "no scale of its own"),
    ],
)
def test_requirements_other_than_passing_are_problems(tmp_path, key, words) -> None:
    folder = made(tmp_path, grip="03")
    study = folder / "study.toml"
    study.write_text(study.read_text().replace("lower = 1\n", f"{key}\n"))
    with pytest.raises(StudyError, match=words):
        analyse(folder)


def test_the_name_of_failed_prints_is_taken(tmp_path) -> None:
    folder = made(tmp_path, grip="03", more="failed_prints = true")
    for name in ("study.toml", "readings.csv"):
        file = folder / name
        file.write_text(file.read_text().replace("grip", COMES_OUT))
    with pytest.raises(StudyError, match="choose another name"):
        analyse(folder)


def test_several_specimens_of_a_print_are_a_share(tmp_path) -> None:
    folder = made(tmp_path, grip="03")
    readings = folder / "readings.csv"
    readings.write_text(readings.read_text() + "03,B,grip,yes,,1,,,,\n")
    grip = analyse(folder).outcomes["grip"]
    assert grip.observations.set_index("run")["value"]["03"] == 0.5


def test_too_few_prints_are_said(tmp_path) -> None:
    folder = made(tmp_path, grip="03")
    readings = folder / "readings.csv"
    kept = [
        line
        for line in readings.read_text().splitlines()
        if "grip" not in line or line[:2] in ("01", "02")
    ]
    readings.write_text("\n".join(kept) + "\n")
    with pytest.raises(ModelError, match="at least 3 are needed"):
        analyse(folder)


def test_scale_goes_both_ways() -> None:
    p = np.array([0.0, 0.1, 0.5, 0.99, 1.0])
    np.testing.assert_allclose(PassScale().back(PassScale().forward(p)), p, atol=1e-12)
    h = 1e-6
    slope = (PassScale().forward([0.9 + h]) - PassScale().forward([0.9 - h])) / (2 * h)
    np.testing.assert_allclose(PassScale().slope([0.9]), slope, rtol=1e-6)


def test_confirming_prints_that_fail_it_speak_against_the_answer(tmp_path) -> None:
    folder = made(tmp_path, grip="03 05")
    before = analyse(folder)
    choice = before.window.recommended
    assert choice is not None
    verdicts = {}
    for word in ("yes", "no"):
        again = tmp_path / word
        shutil.copytree(folder, again)
        settings = ",".join(f"{choice.settings[f.name]:g}" for f in before.study.factors)
        runs = again / "runs.csv"
        new = [f"C{i},confirmation,9,{90 + i},{settings},printed," for i in range(1, 7)]
        runs.write_text("\n".join([runs.read_text().rstrip("\n"), *new]) + "\n")
        rows = []
        for i in range(1, 7):
            for name in ("width_error", "gloss"):
                mean = choice.predictions[name].mean + (20 if name == "width_error" else 0)
                rows.append(f"C{i},A,{name},{mean + 0.001 * i:.3f},,1,,,,")
            rows.append(
                f"C{i},A,strength,{choice.predictions['strength'].mean + 0.1 * i:.2f},MPa,1,,,,"
            )
            rows.append(f"C{i},A,grip,{word},,1,,,,")
        readings = again / "readings.csv"
        readings.write_text("\n".join([readings.read_text().rstrip("\n"), *rows]) + "\n")
        verdicts[word] = analyse(again).confirmation
    assert verdicts["yes"].missed == 0
    assert verdicts["no"].missed == 6
    assert verdicts["no"].withdraws


def test_no_outcomes_no_surfaces() -> None:
    analysis = analyse(DATA / "satin-or-gloss")
    found, errors = outcome_surfaces(analysis.measured, analysis.data.runs, analysis.study)
    assert found == {}
    assert errors == {}


def only_grip(tmp_path: Path, failed: str) -> Path:
    """Leave nothing of the demo study but what passes or fails."""
    folder = made(tmp_path, grip=failed)
    study, readings = folder / "study.toml", folder / "readings.csv"
    parts = re.split(r"(?m)^(?=\[)", study.read_text(encoding="utf-8"))
    kept = [p for p in parts if not p.startswith("[[response]]") or "grip" in p]
    study.write_text("".join(kept), encoding="utf-8")
    lines = readings.read_text(encoding="utf-8").splitlines()
    readings.write_text("\n".join([lines[0], *(x for x in lines if ",grip," in x)]) + "\n")
    return folder


def test_a_study_may_only_pass_or_fail(tmp_path) -> None:
    analysis = analyse(only_grip(tmp_path, "03 05 10 12 14"))
    assert not analysis.surfaces
    assert analysis.window is not None
    grid = analysis.window.grid
    np.testing.assert_allclose(grid["probability"], grid["mean_grip"])
    assert "bed grip" in show_answer(analysis).plain()
    assert analysis.suggestion is not None
    assert results_document(analysis)["models"] == {}


def test_pieces_that_only_pass_or_fail_can_confirm(tmp_path) -> None:
    folder = only_grip(tmp_path, "03")
    choice = analyse(folder).window.recommended
    assert choice is not None
    settings = ",".join(f"{v:g}" for v in choice.settings.values())
    runs, readings = folder / "runs.csv", folder / "readings.csv"
    new = [f"C{i},confirmation,9,{90 + i},{settings},printed," for i in range(1, 7)]
    runs.write_text("\n".join([runs.read_text().rstrip("\n"), *new]) + "\n")
    rows = [f"C{i},A,grip,{'no' if i == 2 else 'yes'},,1,,,," for i in range(1, 7)]
    readings.write_text("\n".join([readings.read_text().rstrip("\n"), *rows]) + "\n")
    analysis = analyse(folder)
    assert analysis.confirmation.missed == 1
    assert analysis.confirmation.not_passed == ("C2",)
    assert "not passed by run C2" in show_confirmation_prints(analysis).plain()
