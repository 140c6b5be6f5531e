"""One writer a study; a dead one never stands in the way."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from kit.errors import RenderError
from kit.report.lock import LOCK_FILE, only_writer

HOLD = """
import sys, time
from pathlib import Path
from kit.report.lock import only_writer
with only_writer(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(float(sys.argv[2]))
"""


def holder(folder: Path, seconds: float) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(folder), str(seconds)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def test_later_one_waits_and_says_so_once(tmp_path: Path) -> None:
    said: list[str] = []
    with holder(tmp_path, 0.5) as first:
        with only_writer(tmp_path, say=said.append):
            assert first.poll() is not None or first.wait(5) == 0
        assert len(said) == 1
        assert f"another process (number {first.pid}) is writing" in said[0]
    assert not list(tmp_path.iterdir())


def test_killed_holder_does_not_block(tmp_path: Path) -> None:
    with holder(tmp_path, 60) as first:
        os.kill(first.pid, signal.SIGKILL)
        first.wait(5)
        assert (tmp_path / LOCK_FILE).exists()  # left behind, and nobody's
        with only_writer(tmp_path, patience=1):
            pass
    assert not (tmp_path / LOCK_FILE).exists()


def test_patience_has_an_end(tmp_path: Path) -> None:
    with holder(tmp_path, 60) as first:
        with (
            pytest.raises(RenderError, match="nothing was changed"),
            only_writer(tmp_path, patience=0.2),
        ):
            pass
        first.kill()


def test_failure_inside_gives_it_back(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="inside"), only_writer(tmp_path):
        raise ValueError("inside")
    with only_writer(tmp_path, patience=0):
        pass
