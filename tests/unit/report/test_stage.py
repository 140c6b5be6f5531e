"""The old report or the new one, never half of one."""

from __future__ import annotations

from pathlib import Path

import pytest

from kit.report.stage import replace_folder


def old(tmp_path: Path) -> Path:
    target = tmp_path / "report"
    (target / "plan").mkdir(parents=True)
    (target / "index.html").write_text("old")
    (target / "stale.png").write_text("old")
    (target / "plan" / "index.html").write_text("plan")
    return target


def test_new_folder_replaces_the_old_one_whole(tmp_path: Path) -> None:
    target = old(tmp_path)
    replace_folder(
        target, lambda stage: (stage / "index.html").write_text("new") and None, keep=["plan"]
    )
    assert (target / "index.html").read_text() == "new"
    assert not (target / "stale.png").exists()
    assert (target / "plan" / "index.html").read_text() == "plan"
    assert [p.name for p in tmp_path.iterdir()] == ["report"]


def test_failure_keeps_the_old_one(tmp_path: Path) -> None:
    target = old(tmp_path)

    def fill(stage: Path) -> None:
        (stage / "index.html").write_text("half")
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        replace_folder(target, fill)
    assert (target / "index.html").read_text() == "old"
    assert (target / "stale.png").exists()
    assert [p.name for p in tmp_path.iterdir()] == ["report"]


def test_failed_swap_puts_the_old_one_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = old(tmp_path)
    rename = Path.rename

    def broken(self: Path, other: Path) -> Path:
        if "-new-" in self.name:
            raise OSError("no swap")
        return rename(self, other)

    monkeypatch.setattr(Path, "rename", broken)
    with pytest.raises(OSError, match="no swap"):
        replace_folder(target, lambda stage: (stage / "index.html").write_text("new") and None)
    assert (target / "index.html").read_text() == "old"


def test_first_report_needs_no_old_one(tmp_path: Path) -> None:
    replace_folder(tmp_path / "report", lambda stage: (stage / "x").write_text("1") and None)
    assert (tmp_path / "report" / "x").read_text() == "1"
