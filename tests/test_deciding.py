"""Deciding, by the commands a user types: confirm, next round, other printers, adopt."""

from __future__ import annotations

import json
import re
import shutil
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from kit.analysis import Analysis, analyse, confirm_with
from kit.cli import main
from kit.errors import ConfirmError, DesignError, TransferError
from kit.rehearse import virtual_printer
from kit.report.adoption import adopt
from kit.report.adoption_start import adopter_text, start_adoption
from kit.report.results import results_document
from kit.report.show_adopt import show_adopt_answer, show_adopt_printer
from kit.report.show_answer import show_answer
from kit.report.show_confirm import show_confirmation, show_confirmation_rule
from kit.report.show_elsewhere import show_other_printers
from kit.report.show_next import show_next
from kit.report.show_window import show_window
from kit.study.folder import RUNS_FILE
from tests.deciding_data import ADOPTED, CONFIRMED, FIRST, adopted_files, confirmed_files


@pytest.fixture(scope="module")
def first() -> Analysis:
    return analyse(FIRST)


@pytest.fixture(scope="module")
def confirmed() -> Analysis:
    return analyse(CONFIRMED)


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """A fresh copy of the first demo study."""
    folder = tmp_path / "study"
    shutil.copytree(FIRST, folder, ignore=shutil.ignore_patterns("report"))
    return folder


@pytest.fixture(scope="module")
def failing(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The confirmed demo, but the nozzle ran 14 degC colder on the day of confirming."""
    truth = tomllib.loads((CONFIRMED / "truth.toml").read_text(encoding="utf-8"))
    printer = replace(virtual_printer(truth), failures={}, offset=-14.0)
    folder = tmp_path_factory.mktemp("failing") / "study"
    shutil.copytree(CONFIRMED, folder, ignore=shutil.ignore_patterns("report"))
    for name, text in confirmed_files(printer).items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    return folder


def test_demo_data_are_made_from_the_stated_truths() -> None:
    for home, files in ((CONFIRMED, confirmed_files()), (ADOPTED, adopted_files())):
        for name, text in files.items():
            assert (home / name).read_text(encoding="utf-8") == text, (
                f"{home.name}/{name}: run python -m tests.deciding_data"
            )


def test_confirming_prints_are_added_and_nothing_else_is_touched(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (study / RUNS_FILE).read_bytes()
    assert main(["plan", str(study), "--confirm", "5"]) == 0
    after = (study / RUNS_FILE).read_bytes()
    assert after.startswith(before)
    added = after[len(before) :].decode().splitlines()
    assert len(added) == 5
    assert all(",confirmation,2," in line and line.endswith(",planned,") for line in added)
    assert "5 confirming prints" in capsys.readouterr().out
    assert (study / "readings-to-fill-confirmation.csv").exists()
    assert (study / "sheets" / "bench-confirmation.html").exists()
    assert main(["check", str(study)]) == 0
    assert main(["plan", str(study), "--confirm"]) == 1
    assert "planned already" in capsys.readouterr().err
    assert (study / RUNS_FILE).read_bytes() == after


def test_rows_are_added_in_the_dialect_of_the_file(study: Path) -> None:
    text = (study / RUNS_FILE).read_text(encoding="utf-8")
    lines = [line.replace(",", ";") for line in text.splitlines() if "extruded" not in line]
    lines = [lines[0]] + [line.replace("190;", "190,0;") for line in lines[1:]]
    (study / RUNS_FILE).write_bytes(b"\xef\xbb\xbf" + "\r\n".join(lines).encode())
    before = (study / RUNS_FILE).read_bytes()
    assert main(["plan", str(study), "--confirm", "3"]) == 0
    after = (study / RUNS_FILE).read_bytes()
    assert after.startswith(before + b"\r\n")
    assert after.count(b"\r\n") == before.count(b"\r\n") + 4
    assert main(["check", str(study)]) == 0
    assert list(analyse(study).data.runs["round"]).count("confirmation") == 3


def test_a_confirmed_study_says_so_first(confirmed: Analysis) -> None:
    analysis = confirmed
    text = show_answer(analysis).plain()
    assert "Confirmed by 6 new prints: 6 of 6 clearly met every requirement" in text
    assert "Not yet confirmed" not in text
    numbers = results_document(analysis)
    assert numbers["confirmation"]["verdict"] == "meets"
    assert numbers["recommended"]["settings"] == numbers["confirmation"]["settings"]
    assert numbers["next"]["action"] == "stop"


def test_confirming_prints_never_enter_the_fit(first: Analysis, confirmed: Analysis) -> None:
    later = confirmed
    for name, surface in first.surfaces.items():
        assert list(surface.coefficients) == list(later.surfaces[name].coefficients)
        assert surface.residual_variance == later.surfaces[name].residual_variance


def test_a_failed_confirmation_withdraws_the_window_first_thing(failing: Path) -> None:
    analysis = analyse(failing)
    page = show_answer(analysis).plain()
    assert page.splitlines()[2].startswith("Withdrawn: do not use nozzle 215")
    assert "Withdrawn" in show_window(analysis).plain()
    assert "Any printable setting between these ends" not in show_window(analysis).plain()
    numbers = results_document(analysis)
    assert numbers["recommended"] is None
    assert numbers["window"] == {"confidence": 0.9, "share": 0.0, "ranges": {}}
    assert numbers["confirmation"]["verdict"] == "does not meet"
    assert numbers["confirmation"]["withdrawn"]["settings"]["nozzle"] == 215.0
    assert numbers["next"]["action"] == "add"


def test_without_new_prints_the_page_shows_plan_and_rule(first: Analysis) -> None:
    analysis = first
    assert "Not confirmed yet. Print nozzle 215" in show_confirmation(analysis).plain()
    rule = show_confirmation_rule(analysis).plain()
    assert "Does not meet: 3 or more of 6" in rule
    assert "22\t90 %" in rule


def test_runs_of_the_fit_cannot_be_named_as_confirming(confirmed: Analysis) -> None:
    analysis = confirmed
    with pytest.raises(ConfirmError, match="run 04 was used to fit the model"):
        confirm_with(analysis, "04, 19")
    with pytest.raises(ConfirmError, match="no run 99"):
        confirm_with(analysis, "99")
    few = confirm_with(analysis, "19, 20, 21").confirmation
    assert few is not None
    assert few.runs == ("19", "20", "21")


def test_a_run_relabelled_after_the_fact_does_not_confirm(study: Path) -> None:
    path = study / RUNS_FILE
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("12,first,1,12,", "12,confirmation,2,12,"), encoding="utf-8")
    analysis = analyse(study)
    assert analysis.confirmation is None
    with pytest.raises(ConfirmError, match="run 12 cannot confirm"):
        confirm_with(analysis)


def test_the_confirm_report_by_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "study"
    shutil.copytree(CONFIRMED, folder, ignore=shutil.ignore_patterns("report"))
    assert main(["report", str(folder), "--template", "confirm"]) == 0
    assert "Yes, as far as new prints can tell" in capsys.readouterr().out
    report = folder / "report" / "confirm"
    numbers = json.loads((report / "results.json").read_text(encoding="utf-8"))
    assert numbers["confirmation"]["met"] == 6
    page = (report / "index.html").read_text(encoding="utf-8")
    assert "By which rule" in page
    assert str(folder) not in re.sub(r"base64,[^\"]*", "", page)


def test_next_says_what_why_and_what_it_costs(
    study: Path, first: Analysis, capsys: pytest.CaptureFixture[str]
) -> None:
    before = {p.name: p.read_bytes() for p in study.iterdir() if p.is_file()}
    assert main(["next", str(study)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Confirm.")
    assert "6 prints, about 71 g of filament, 4.0 h of printing" in said
    assert {p.name: p.read_bytes() for p in study.iterdir() if p.is_file()} == before
    assert "Nothing is written until you ask for it" in show_next(first).plain()


def test_an_accepted_suggestion_becomes_a_round(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = study / "study.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(
        text.replace("lower = 46", "lower = 56").replace("[190, 230]", "[190, 240]"),
        encoding="utf-8",
    )
    action = analyse(study).suggestion
    assert action is not None
    assert action.action in ("move", "add")
    assert main(["plan", str(study), "--next"]) == 0
    runs = analyse(study).data.runs
    mine = runs[runs["round"] == "2"]
    assert len(mine) == len(action.runs)
    assert set(mine["block"]) == {2}
    assert mine["print_order"].min() == 19
    capsys.readouterr()
    assert main(["plan", str(study), "--next"]) == 1
    assert "still planned" in capsys.readouterr().err


def test_stop_writes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "study"
    shutil.copytree(CONFIRMED, folder, ignore=shutil.ignore_patterns("report"))
    assert main(["plan", str(folder), "--next"]) == 1
    assert "no further runs are suggested" in capsys.readouterr().err


def test_other_printers_on_the_page_and_in_the_numbers(study: Path, first: Analysis) -> None:
    path = study / "study.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text + "other_printers = true\n", encoding="utf-8")
    analysis = analyse(study)
    assert "averaged over other printers" in show_answer(analysis).plain()
    shown = show_other_printers(analysis).plain()
    assert "best at home" in shown
    numbers = results_document(analysis)
    others = numbers["other_printers"]
    assert others["averaged"]
    assert others["elsewhere"]["average"] == pytest.approx(
        numbers["recommended"]["probability"], abs=1e-6
    )
    assert others["elsewhere"]["average"] >= others["home"]["average"] - 1e-4
    at_home = results_document(first)["other_printers"]
    assert at_home["elsewhere"] is None
    assert at_home["home"]["average"] == pytest.approx(others["home"]["average"], abs=1e-3)


def test_a_plan_with_too_narrow_a_range_is_warned_about(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (study / RUNS_FILE).unlink()
    (study / "readings.csv").unlink()
    path = study / "study.toml"
    text = (
        path.read_text(encoding="utf-8")
        .replace("low = 190", "low = 205")
        .replace("high = 230", "high = 220")
    )
    path.write_text(text + "other_printers = true\n", encoding="utf-8")
    assert main(["plan", str(study)]) == 0
    assert "too narrow to judge other printers" in capsys.readouterr().err


def test_weights_of_the_box(study: Path, first: Analysis) -> None:
    path = study / "study.toml"
    text = path.read_text(encoding="utf-8")
    plain = first.window
    path.write_text(text + "weights = { fan = 5 }\n", encoding="utf-8")
    weighted = analyse(study).window
    assert plain is not None
    assert weighted is not None

    def width(window, name: str) -> float:
        low, high = window.ranges[name]
        return float(high) - float(low)

    assert width(weighted, "fan") >= width(plain, "fan")
    path.write_text(text + "weights = { fann = 5 }\n", encoding="utf-8")
    assert main(["check", str(study)]) == 1


def test_adopting_by_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "mine"
    assert main(["adopt", str(FIRST), str(folder), "--prints", "5"]) == 0
    assert "go through [printer]" in capsys.readouterr().out
    assert main(["check", str(folder)]) == 0
    runs = (folder / RUNS_FILE).read_text(encoding="utf-8")
    assert runs.count(",adopt,1,") == 5
    assert "215,50,60" in runs
    assert (folder / "donor" / "readings.csv").read_bytes() == (FIRST / "readings.csv").read_bytes()
    assert "nobody has printed yet" in show_adopt_answer(adopt(folder)).plain()
    assert main(["adopt", str(FIRST), str(folder)]) == 1
    assert "holds something already" in capsys.readouterr().err


def test_adopting_finds_the_hidden_printer() -> None:
    """The demo's nozzle is 9 degC colder; its biases stand in truth.toml."""
    truth = tomllib.loads((ADOPTED / "truth.toml").read_text(encoding="utf-8"))
    found = adopt(ADOPTED)
    assert found.after is not None
    assert found.corrected is not None
    low, high = found.after.interval
    assert low <= truth["offset"] <= high
    for name, bias in truth["bias"].items():
        _, least, most = found.after.bias_limits(name)
        assert least <= bias <= most
    assert found.corrected.probability > found.corrected.donor_after
    assert found.corrected.settings["nozzle"] > found.settings["nozzle"]
    said = show_adopt_printer(found).plain()
    assert "8 °C colder" in said


def test_the_report_of_an_adopter_needs_no_option(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "mine"
    shutil.copytree(ADOPTED, folder, ignore=shutil.ignore_patterns("report"))
    assert main(["report", str(folder)]) == 0
    assert "On the printer next door" in capsys.readouterr().out
    report = folder / "report" / "adopt"
    numbers = json.loads((report / "results.json").read_text(encoding="utf-8"))
    assert numbers["thermometer_difference"]["low"] < -9 < numbers["thermometer_difference"]["high"]
    assert set(numbers["provenance"]["input_digests"]) >= {"donor/study.toml", "runs.csv"}


def test_a_donor_with_another_nozzle_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "mine"
    shutil.copytree(ADOPTED, folder, ignore=shutil.ignore_patterns("report"))
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(
        text.replace("nozzle_diameter = 0.4", "nozzle_diameter = 0.6"), encoding="utf-8"
    )
    with pytest.raises(TransferError, match="settings do not carry over"):
        adopt(folder)
    path.write_text(text.replace('polymer = "PLA"', 'polymer = "PETG"'), encoding="utf-8")
    with pytest.raises(TransferError, match="another polymer"):
        adopt(folder)
    path.write_text(text.replace('donor = "donor"', 'donor = "nowhere"'), encoding="utf-8")
    with pytest.raises(TransferError, match="no study in 'nowhere'"):
        adopt(folder)


def test_a_withdrawn_donor_is_refused_and_nothing_is_left_behind(
    failing: Path, tmp_path: Path
) -> None:
    donor, folder = failing, tmp_path / "mine"
    with pytest.raises(TransferError, match="withdrew the window"):
        start_adoption(donor, folder)
    assert not folder.exists()
    with pytest.raises(DesignError, match="allowed are 3 to 6"):
        start_adoption(FIRST, folder, 2)


def test_the_adopters_description_is_the_donors_with_another_head() -> None:
    text = (FIRST / "study.toml").read_text(encoding="utf-8")
    changed = adopter_text(text)
    raw, old = tomllib.loads(changed), tomllib.loads(text)
    assert raw["title"].endswith("on another printer")
    assert raw["printer"]["name"] == "new printer"
    assert raw["adopt"]["donor"] == "donor"
    assert raw["factor"] == old["factor"]
    assert raw["response"] == old["response"]
    assert adopter_text(changed).count("[adopt]") == 1
