"""A report is rendered again when something it was made from changed, and only then."""

from __future__ import annotations

from pathlib import Path

import pytest

from kit.report import freshness
from kit.report.freshness import STAMP, made_from, stamp_of
from tests.small_studies import small_study


@pytest.fixture
def template(tmp_path: Path) -> Path:
    path = tmp_path / "t.ipynb"
    path.write_text("{}", encoding="utf-8")
    return path


def test_every_input_counts(tmp_path: Path, template: Path) -> None:
    study = small_study(tmp_path / "study")
    seen = {made_from(study, template, {})}
    (study / "runs.csv").write_bytes((study / "runs.csv").read_bytes() + b"\n")
    seen.add(made_from(study, template, {}))
    (study / "curves").mkdir()
    (study / "curves" / "01-A.csv").write_text("1,2\n", encoding="utf-8")
    seen.add(made_from(study, template, {}))
    (study / "curves" / "01-A.csv").rename(study / "curves" / "02-A.csv")
    seen.add(made_from(study, template, {}))
    seen.add(made_from(study, template, {"blind": True}))
    template.write_text("{ }", encoding="utf-8")
    seen.add(made_from(study, template, {}))
    other = small_study(tmp_path / "other")
    seen.add(made_from(study, template, {"beside": "../other"}))
    (other / "readings.csv").write_text("run\n", encoding="utf-8")
    seen.add(made_from(study, template, {"beside": "../other"}))
    assert len(seen) == 8


def test_new_version_counts(
    tmp_path: Path, template: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = small_study(tmp_path / "study")
    before = made_from(study, template, {})
    monkeypatch.setattr(freshness, "version", lambda name: "0.0.0")
    assert made_from(study, template, {}) != before


def test_what_the_kit_writes_does_not_count(tmp_path: Path, template: Path) -> None:
    study = small_study(tmp_path / "study")
    before = made_from(study, template, {})
    for name in (
        "report/results.json",
        "sheets/bench.txt",
        "readings-to-fill.csv",
        ".hidden.csv",
        "README.md",
    ):
        (study / name).parent.mkdir(exist_ok=True)
        (study / name).write_text("x", encoding="utf-8")
    assert made_from(study, template, {}) == before


def test_stamp_is_read_from_a_whole_page_only(tmp_path: Path) -> None:
    assert stamp_of(tmp_path) is None
    page = tmp_path / "index.html"
    page.write_text("<html>", encoding="utf-8")
    assert stamp_of(tmp_path) is None
    page.write_text(f'<meta name="{STAMP}" content="{"0f" * 32}">', encoding="utf-8")
    assert stamp_of(tmp_path) == "0f" * 32
    page.write_bytes(b"\xff\xfe")
    assert stamp_of(tmp_path) is None
