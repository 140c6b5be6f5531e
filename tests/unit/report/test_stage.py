"""The old report or the new one, never half of one."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from kit.report.stage import clear_up, replace_folder


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
    monkeypatch.setattr("kit.report.stage._exchange", lambda one, other: False)
    with pytest.raises(OSError, match="no swap"):
        replace_folder(target, lambda stage: (stage / "index.html").write_text("new") and None)
    assert (target / "index.html").read_text() == "old"


def test_first_report_needs_no_old_one(tmp_path: Path) -> None:
    replace_folder(tmp_path / "report", lambda stage: (stage / "x").write_text("1") and None)
    assert (tmp_path / "report" / "x").read_text() == "1"


def test_killed_while_writing_leaves_the_old_one(tmp_path: Path) -> None:
    target = old(tmp_path)
    code = (
        "import os, signal, sys\nfrom pathlib import Path\nfrom kit.report.stage import replace_folder\n"
        "def fill(stage):\n    (stage / 'index.html').write_text('half')\n    os.kill(os.getpid(), signal.SIGKILL)\n"
        "replace_folder(Path(sys.argv[1]), fill)"
    )
    assert subprocess.run([sys.executable, "-c", code, str(target)], check=False).returncode == -9
    assert (target / "index.html").read_text() == "old"
    assert len(list(tmp_path.iterdir())) == 2
    clear_up(target)
    assert [p.name for p in tmp_path.iterdir()] == ["report"]


def test_death_between_two_steps_is_mended(tmp_path: Path) -> None:
    target = old(tmp_path)
    target.rename(tmp_path / ".report-old-abc")
    (tmp_path / ".report-new-abc").mkdir()
    clear_up(target)
    assert (target / "index.html").read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["report"]


@pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="elsewhere the swap takes two steps"
)
def test_swap_is_one_step(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = old(tmp_path)
    monkeypatch.setattr("kit.report.stage._swap_in_steps", lambda *paths: pytest.fail("in steps"))
    replace_folder(target, lambda stage: (stage / "index.html").write_text("new") and None)
    assert (target / "index.html").read_text() == "new"


def test_full_disk_while_writing_keeps_the_old_one(tmp_path: Path) -> None:
    target = old(tmp_path)
    code = (
        "import resource, signal, sys\nfrom pathlib import Path\nfrom kit.report.stage import replace_folder\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\nresource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "try:\n    replace_folder(Path(sys.argv[1]), lambda stage: (stage / 'index.html').write_text('x' * 5000) and None)\n"
        "except OSError:\n    sys.exit(7)"
    )
    assert subprocess.run([sys.executable, "-c", code, str(target)], check=False).returncode == 7
    assert (target / "index.html").read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["report"]
