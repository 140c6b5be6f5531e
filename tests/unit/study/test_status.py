from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from kit.study.folder import digest
from kit.study.intake import take_in
from kit.study.resources import resource_folder
from kit.study.status import count_progress, study_status
from tests.unit.study.conftest import STUDIES

Change = Callable[..., Path]


def write_report(folder: Path, digests: object) -> None:
    (folder / "report").mkdir(exist_ok=True)
    results = {"schema": 1, "provenance": {"input_digests": digests}}
    (folder / "report" / "results.json").write_text(json.dumps(results), encoding="utf-8")


@pytest.mark.parametrize(
    ("name", "command"),
    [
        ("described_only", "plan"),
        ("planned_only", "check"),
        ("healthy", "report"),
        ("crossed", "check"),
        ("old_encoding", "check"),
    ],
)
def test_the_next_command(name: str, command: str) -> None:
    folder = STUDIES / name
    status = study_status(folder)
    assert status.command == f"testprint {command} {folder}"
    assert status.command in status.next_step
    assert str(status).endswith(status.command)
    assert bool(status.problems) == (name in {"crossed", "old_encoding"})


def test_no_study_yet_and_blanks_in_the_name(tmp_path: Path) -> None:
    status = study_status(tmp_path / "my study")
    assert status.command == f'testprint new "{tmp_path / "my study"}"'
    assert status.sentences == (f'There is no study in "{tmp_path / "my study"}".',)


def test_counts_of_the_healthy_study(healthy: Path) -> None:
    progress = count_progress(take_in(healthy))
    assert (progress.runs, progress.printed, progress.failed, progress.planned) == (6, 4, 1, 1)
    # Runs 1, 2 and 4 have every response; run 5 has none.
    assert progress.measured == 3


def test_curves_count_as_measured() -> None:
    progress = count_progress(take_in(resource_folder("data") / "how-we-measure"))
    assert progress.measured == progress.printed == 10


def test_every_run_failed(change: Change) -> None:
    folder = change("runs.csv")
    runs = (folder / "runs.csv").read_text(encoding="utf-8")
    runs = runs.replace(",printed,", ",failed,").replace(",planned,", ",failed,")
    (folder / "runs.csv").write_text(runs, encoding="utf-8", newline="")
    (folder / "readings.csv").unlink()
    status = study_status(folder)
    assert status.next_step.startswith("every run failed: choose gentler settings")
    assert not status.command


def test_planned_confirming_prints_leave_the_report_a_whole_one(change: Change) -> None:
    folder = change("runs.csv", ("pink,,planned", "pink,,failed"))
    with (folder / "runs.csv").open("a", encoding="utf-8", newline="") as file:
        file.write("7,confirmation,2,7,210,80,pink,,planned,\n")
    data = take_in(folder)
    assert any(n.endswith("1 still planned, for confirming.") for n in data.notices)
    assert not any("interim" in n for n in data.notices)


def test_printed_but_not_measured(healthy: Path) -> None:
    (healthy / "readings.csv").unlink()
    status = study_status(healthy)
    assert "readings-to-fill.csv" in status.next_step
    assert "0 measured completely" in status.sentences[1]


def test_report_is_compared_with_the_files(healthy: Path) -> None:
    digests = dict(take_in(healthy).digests)
    write_report(healthy, digests)
    status = study_status(healthy)
    assert "The report is up to date." in status.sentences
    assert "The answer is not confirmed by new prints yet." in status.sentences
    assert status.next_step == "read report/index.html, or print what is left: 1 run."
    write_report(healthy, {**digests, "runs.csv": digest(b"before")})
    status = study_status(healthy)
    assert "The report is older than the files it was made from." in status.sentences
    assert status.command == f"testprint report {healthy}"
    assert status.next_step.startswith("make an interim report")


def test_finished_study(change: Change) -> None:
    folder = change(
        "runs.csv",
        ("5,210,80,white,,printed", "5,210,80,white,,failed"),
        ("pink,,planned", "pink,,failed"),
    )
    assert study_status(folder).next_step.startswith("make the report")
    write_report(folder, dict(take_in(folder).digests))
    assert study_status(folder).next_step.startswith(
        "read report/index.html; then ask what comes next"
    )
    assert study_status(folder).command.startswith("testprint next")


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"provenance": 3}', "[" * 100_000])
def test_a_report_that_cannot_be_read(healthy: Path, content: str) -> None:
    (healthy / "report").mkdir()
    (healthy / "report" / "results.json").write_text(content)
    assert "cannot be read" in " ".join(study_status(healthy).sentences)
