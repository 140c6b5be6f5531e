"""The home page and the notebooks laid out beside a study."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from kit.cli import main
from kit.report import lab
from kit.report.document import Heading, Prose, Sentences
from kit.report.lab import FOLDER, lay_out
from kit.report.show_home import show_home
from tests.small_studies import small_study, spoil


def parameters_of(path: Path) -> str:
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    (cell,) = [c for c in cells if "parameters" in c["metadata"].get("tags", [])]
    return "".join(cell["source"])


def test_every_template_is_pointed_at_the_study(tmp_path: Path) -> None:
    home, kept = lay_out(small_study(tmp_path / "study"))
    assert home == tmp_path / "study" / FOLDER / "0-home.ipynb"
    assert not kept
    notebooks = sorted(home.parent.glob("*.ipynb"))
    assert {p.name for p in notebooks} >= {"0-home.ipynb", "1-plan.ipynb", "3-surface.ipynb"}
    for path in notebooks:
        assert 'study: str = ".."  # the' in parameters_of(path)


def test_what_the_user_changed_is_kept_and_the_rest_renewed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = small_study(tmp_path / "study")
    templates = tmp_path / "templates"
    templates.mkdir()
    monkeypatch.setattr(lab, "resource_folder", lambda name: templates)
    notebook = {
        "cells": [{"cell_type": "markdown", "metadata": {}, "source": ["one"]}],
        "metadata": {},
    }
    for name in ("0-home.ipynb", "1-own.ipynb", "2-same.ipynb"):
        (templates / name).write_text(json.dumps(notebook), encoding="utf-8")
    lay_out(study)
    own = study / FOLDER / "1-own.ipynb"
    own.write_text(own.read_text().replace("one", "mine"), encoding="utf-8")
    (study / FOLDER / "2-same.ipynb").write_text("broken", encoding="utf-8")
    for path in templates.glob("*"):
        path.write_text(path.read_text().replace("one", "two"), encoding="utf-8")
    _, kept = lay_out(study)
    assert kept == ["1-own.ipynb", "2-same.ipynb"]
    assert "mine" in own.read_text(encoding="utf-8")
    assert (study / FOLDER / "2-same.ipynb").read_text(encoding="utf-8") == "broken"
    assert "two" in (study / FOLDER / "0-home.ipynb").read_text(encoding="utf-8")


def test_running_a_notebook_does_not_make_it_the_users_own(tmp_path: Path) -> None:
    study = small_study(tmp_path / "study")
    home, _ = lay_out(study)
    notebook = json.loads(home.read_text(encoding="utf-8"))
    notebook["cells"][-1]["outputs"] = [{"output_type": "stream", "name": "stdout", "text": "x"}]
    notebook["metadata"]["language_info"]["version"] = "3"
    home.write_text(json.dumps(notebook), encoding="utf-8")
    assert lay_out(study)[1] == []
    assert json.loads(home.read_text(encoding="utf-8"))["cells"][-1][
        "outputs"
    ]  # nothing new, so left alone


def test_no_study_no_notebooks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lab", str(tmp_path)]) == 1
    assert "this is no study" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_command_lays_out_only(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lab", str(small_study(tmp_path / "study")), "--lay-out"]) == 0
    assert "0-home.ipynb" in capsys.readouterr().out


def test_command_starts_jupyterlab_on_the_study_and_passes_its_exit_code_on(tmp_path: Path) -> None:
    study = small_study(tmp_path / "study")
    code = (
        "import sys\nfrom kit.cli import main\nfrom kit.report import lab\n"
        "lab._START = 'import sys; print(*sys.argv[1:]); sys.exit(1)'\nsys.exit(main(sys.argv[1:]))"
    )
    options = ["--no-browser", "--port", "8123", "--server-option=--x"]
    command = [sys.executable, "-c", code, "lab", str(study), *options]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    assert run.returncode == 1
    assert run.stdout.splitlines()[-1].split() == [
        f"--ServerApp.root_dir={study}", "--LabApp.default_url=/lab/tree/notebooks/0-home.ipynb",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate", "--no-browser", "--ServerApp.port=8123", "--x",
    ]  # fmt: skip


def texts(study: Path) -> dict[str, str]:
    """The home page as question and everything below it."""
    found: dict[str, str] = {}
    question = ""
    for block in show_home(study).blocks:
        if isinstance(block, Heading):
            question = block.text
            found[question] = ""
        else:
            found[question] += block.plain() + "\n"
    return found


def test_home_answers_with_dates_and_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    study = small_study(tmp_path / "study")
    os.utime(study / "runs.csv", (1_760_000_000, 1_760_000_000))  # 9 October 2025, 08:53 UTC
    said = texts(study)
    assert list(said) == [
        "What do we want to know?", "What is printed?", "How good is the measuring?", "What is measured?",
        "Which settings are good enough?", "Does it hold on new prints?", "What next?",
    ]  # fmt: skip
    assert "8 of 8 runs printed" in said["What is printed?"]
    assert "October 2025" in said["What is printed?"]
    assert f"[runs]({(study / 'runs.csv').as_posix()})" in said["What is printed?"]
    assert (
        "[the plan, and whether this printer can do it](1-plan.ipynb)" in said["What is printed?"]
    )
    assert "8 of 8 prints measured completely" in said["What is measured?"]
    assert "no report yet" in said["Which settings are good enough?"].lower()
    assert "the report](" not in said["Which settings are good enough?"]
    assert "testprint report study" in said["What next?"]
    assert all(isinstance(b, Heading | Sentences | Prose) for b in show_home(study).blocks)


def test_home_of_a_study_with_problems_lists_them_first(tmp_path: Path) -> None:
    study = small_study(tmp_path / "study")
    spoil(study)
    said = texts(study)
    assert next(iter(said)) == "What has to be mended first?"
    assert "readings.csv:3:value" in said["What has to be mended first?"]
    assert "testprint check study" in said["What next?"]
