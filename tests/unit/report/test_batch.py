"""Many studies: the broken ones are listed, the others done; nothing is rendered twice or half."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from kit.cli import main
from kit.errors import UsageError
from kit.report import batch, workers
from kit.report.batch import Job, Outcome, find_studies, render_all
from tests.small_studies import small_study, spoil

linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="forking is for Linux")


@pytest.fixture(scope="module")
def space(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two good studies and a broken one, rendered once by the command in a process of its own."""
    folder = tmp_path_factory.mktemp("space") / "space"
    small_study(folder / "one")
    small_study(folder / "shelf" / "two", title="Second")
    spoil(small_study(folder / "worn"))
    return folder


def report(folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "kit.cli", "report", str(folder), *options]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)


def test_broken_study_is_listed_and_the_others_done(space: Path) -> None:
    run = report(space, "--workers", "2")
    assert run.returncode == 1
    assert "3 studies: 2 rendered, 0 unchanged, 1 failed." in run.stderr
    assert "space/worn: no new report\n  readings.csv:3:value" in run.stdout
    assert "space/one: " in run.stdout
    assert "space/shelf/two: " in run.stdout
    for name in ("one", "shelf/two"):
        assert {p.name for p in (space / name / "report").iterdir()} == {
            "index.html", "results.json", "figures", "surface.ipynb",
        }  # fmt: skip
        assert not list((space / name).glob(".*"))
    assert not (space / "worn" / "report").exists()


def test_only_what_changed_is_rendered_again(space: Path) -> None:
    before = (space / "one" / "report").stat().st_ino
    path = space / "shelf" / "two" / "study.toml"
    path.write_text(path.read_text().replace("Second", "Second, renamed"), encoding="utf-8")
    run = report(space)
    assert run.returncode == 1
    assert "3 studies: 1 rendered, 1 unchanged, 1 failed." in run.stderr
    assert (space / "one" / "report").stat().st_ino == before
    assert "Second, renamed" in (space / "shelf" / "two" / "report" / "index.html").read_text(
        encoding="utf-8"
    )


def test_batch_and_single_report_give_the_same_bytes(space: Path, tmp_path: Path) -> None:
    assert report(small_study(tmp_path / "alone")).returncode == 0
    one, alone = space / "one" / "report", tmp_path / "alone" / "report"
    for path in alone.rglob("*"):
        if path.is_file():
            assert path.read_bytes() == (one / path.relative_to(alone)).read_bytes(), path.name


def test_two_processes_at_one_study(tmp_path: Path) -> None:
    study = small_study(tmp_path / "study")
    command = [sys.executable, "-m", "kit.cli", "report", str(study)]
    both = [subprocess.Popen(command, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    said = [p.communicate(timeout=300)[1] for p in both]
    assert [p.returncode for p in both] == [0, 0]
    assert sum("is writing this report; waiting" in text for text in said) == 1
    assert (study / "report" / "results.json").is_file()
    assert not list(study.glob(".*"))


def test_studies_are_found_at_any_depth_but_not_in_reports(tmp_path: Path) -> None:
    for name in ("b", "a/x", "a/y/z", "a/b/c/d", ".hidden", "report/r", "b/inner"):
        (tmp_path / name).mkdir(parents=True)
        (tmp_path / name / "study.toml").touch()
    found = [p.relative_to(tmp_path).as_posix() for p in find_studies(tmp_path)]
    assert found == ["a/x", "a/y/z", "b"]


def test_folder_without_studies_is_a_problem(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", str(tmp_path)]) == 1
    assert "study.toml" in capsys.readouterr().err


def test_scheduler_that_cannot_be_reached(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("kit.report.cluster.PATIENCE", 0.3)
    study = small_study(tmp_path / "study")
    assert main(["report", str(study), "--scheduler", "tcp://127.0.0.1:9"]) == 1
    assert "no scheduler answers at tcp://127.0.0.1:9" in capsys.readouterr().err
    assert not (study / "report").exists()


def test_wrong_option_stops_before_anything_runs(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="option 'colour' is unknown"):
        render_all([small_study(tmp_path / "study")], parameters={"colour": 1})


def _dies_once(job: Job) -> Outcome:
    mark = Path(job.study) / "died"
    if job.study.endswith("b") and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return Outcome(job.study, "rendered", "done")


def _dies(job: Job) -> Outcome:
    if job.study.endswith("b"):
        os.kill(os.getpid(), signal.SIGKILL)
    return Outcome(job.study, "rendered", "done")


@linux
def test_killed_process_costs_nothing_but_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    studies = [small_study(tmp_path / name) for name in "abc"]
    monkeypatch.setattr(workers, "warm_up", lambda template: None)
    monkeypatch.setattr(workers, "do_job", _dies_once)
    outcomes = render_all(studies, workers=2)
    assert [(Path(o.study).name, o.state) for o in outcomes] == [(n, "rendered") for n in "abc"]
    monkeypatch.setattr(workers, "do_job", _dies)
    outcomes = render_all(studies, workers=2)
    assert [o.state for o in outcomes] == ["rendered", "failed", "rendered"]
    assert "killed twice" in outcomes[1].text


def test_surprise_in_one_study_is_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*args: object, **options: object) -> None:
        raise ZeroDivisionError("surprise")

    monkeypatch.setattr(batch, "render_report", broken)
    outcome = batch.do_job(Job(str(tmp_path)))
    assert (outcome.state, outcome.text) == ("failed", "stopped with ZeroDivisionError: surprise")
