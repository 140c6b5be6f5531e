"""From the demo study's files to its page, by the command a user types."""

from __future__ import annotations

import getpass
import json
import re
import shutil
import socket
import sys
import tomllib
from pathlib import Path

import nbformat
import numpy as np
import pytest

from kit.cli import main
from kit.errors import UsageError
from kit.rehearse import virtual_printer
from kit.report.render import check_parameters, render_report, template_path
from kit.study.read import read_study
from tests.demo_data import DATA, tables_of

DEMO = DATA / "satin-or-gloss"


@pytest.fixture(scope="module")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo, copied and rendered once by the command."""
    folder = tmp_path_factory.mktemp("demo") / "study"
    assert main(["demo", str(folder)]) == 0
    return folder


def test_demo_data_are_made_from_the_stated_truth() -> None:
    for name, text in tables_of(DEMO).items():
        assert (DEMO / name).read_text(encoding="utf-8") == text, (
            f"{name}: run python -m tests.demo_data"
        )


def test_demo_writes_everything(rendered: Path) -> None:
    report = rendered / "report"
    assert {p.name for p in report.iterdir()} == {
        "index.html",
        "results.json",
        "figures",
        "surface.ipynb",
    }
    assert len(list((report / "figures").glob("*.png"))) >= 8


def test_results_hold_the_contract(rendered: Path) -> None:
    numbers = json.loads((rendered / "report" / "results.json").read_text(encoding="utf-8"))
    assert set(numbers) >= {  # the contract is extended, never broken
        "schema",
        "title",
        "digest",
        "models",
        "recommended",
        "best_compromise",
        "window",
        "confirmation",
        "cautions",
        "provenance",
    }
    assert numbers["schema"] == 1
    model = numbers["models"]["gloss"]
    assert set(model) == {
        "runs_used",
        "terms",
        "not_estimable",
        "residual_sd",
        "df",
        "r2",
        "r2_predicted",
        "variance",
        "lack_of_fit",
        "stationary_point",
    }
    assert set(model["terms"]["nozzle:speed"]) == {
        "estimate",
        "std_error",
        "df",
        "low",
        "high",
        "p",
    }
    assert set(model["variance"]) == {"print", "block", "specimen", "repeat"}
    chosen = numbers["recommended"]
    assert set(chosen) == {
        "settings",
        "probability",
        "probability_low",
        "probability_high",
        "predictions",
    }
    assert chosen["probability"] >= numbers["window"]["confidence"]
    assert chosen["probability_low"] <= chosen["probability"] <= chosen["probability_high"]
    for name, (low, high) in numbers["window"]["ranges"].items():
        assert low <= chosen["settings"][name] <= high
    assert numbers["best_compromise"] is None


def test_fit_finds_the_stated_truth(rendered: Path) -> None:
    """Every true coefficient lies in its interval, or nearly all: 27 intervals of 95 %."""
    numbers = json.loads((rendered / "report" / "results.json").read_text(encoding="utf-8"))
    truth = virtual_printer(tomllib.loads((DEMO / "truth.toml").read_text(encoding="utf-8"))).truths
    inside = [
        term["low"] <= truth[name].coefficients.get(key, 0.0) <= term["high"]
        for name, model in numbers["models"].items()
        for key, term in model["terms"].items()
    ]
    assert len(inside) == 30
    assert sum(inside) >= 26


def test_recommended_settings_are_good_in_truth(rendered: Path) -> None:
    """Many virtual parts at the recommended settings: the stated chance is not far above what really happens."""
    study = read_study(rendered)
    numbers = json.loads((rendered / "report" / "results.json").read_text(encoding="utf-8"))
    truths = virtual_printer(
        tomllib.loads((DEMO / "truth.toml").read_text(encoding="utf-8"))
    ).truths
    rng = np.random.default_rng(1)
    good = np.ones(20000, dtype=bool)
    import pandas as pd

    settings = pd.DataFrame([numbers["recommended"]["settings"]])
    for response in study.responses:
        truth = truths[response.name]
        sd = np.hypot(truth.print_sd, truth.specimen_sd)
        parts = truth.mean(study, settings)[0] + rng.normal(0, sd, len(good))
        good &= parts >= (-np.inf if response.lower is None else response.lower)
        good &= parts <= (np.inf if response.upper is None else response.upper)
    assert numbers["recommended"]["probability_low"] - 0.05 <= good.mean()


def test_page_stands_alone_and_tells_nothing_of_the_machine(rendered: Path) -> None:
    report = rendered / "report"
    page = (report / "index.html").read_text(encoding="utf-8")
    text = re.sub(r"base64,[^\"]*", "", page)
    assert not re.search(r"(src|href)=\"(?!data:|#)", text)
    assert "Not yet confirmed" in text
    for path in [*report.glob("*.html"), *report.glob("*.json"), *report.glob("*.ipynb")]:
        words = re.sub(r"base64,[^\"\\]*", "", path.read_text(encoding="utf-8"))
        for secret in (str(rendered), str(Path.home()), sys.prefix, socket.gethostname(), "/tmp/"):
            assert secret not in words, f"{path.name} holds {secret}"
        if len(getpass.getuser()) > 4:
            assert getpass.getuser() not in words
    for image in re.findall(r"<img [^>]*>", page):
        assert re.search(r'alt="[^"]{20,}', image)


def test_notebook_ran_clean_and_can_run_again(rendered: Path) -> None:
    notebook = nbformat.read(rendered / "report" / "surface.ipynb", as_version=4)
    assert "papermill" not in notebook.metadata
    assert any('study = ".."' in c.source for c in notebook.cells)
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            assert output.output_type != "error"
            assert output.get("name") != "stderr"


def test_same_inputs_give_the_same_bytes(rendered: Path, tmp_path: Path) -> None:
    again = tmp_path / "elsewhere"
    shutil.copytree(rendered, again, ignore=shutil.ignore_patterns("report"))
    render_report(again)
    first, second = rendered / "report", again / "report"
    names = sorted(p.relative_to(first).as_posix() for p in first.rglob("*") if p.is_file())
    assert names == sorted(
        p.relative_to(second).as_posix() for p in second.rglob("*") if p.is_file()
    )
    for name in names:
        assert (first / name).read_bytes() == (second / name).read_bytes(), name


def test_demo_can_be_run_again_but_never_overwrites_changes(
    rendered: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (rendered / "study.toml").write_text("# mine\n", encoding="utf-8")
    assert main(["demo", str(rendered)]) == 1
    assert "study.toml differ" in capsys.readouterr().err
    assert (rendered / "study.toml").read_text(encoding="utf-8") == "# mine\n"


def test_unknown_option_and_wrong_type_stop_before_anything_runs(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="option 'studdy' is unknown"):
        check_parameters(template_path("surface"), {"studdy": 1})
    with pytest.raises(UsageError, match="no template 'surfaces'; templates are plan"):
        render_report(tmp_path, template="surfaces")
