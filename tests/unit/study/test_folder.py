from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kit.errors import DesignError
from kit.study import folder as room
from kit.study.folder import (
    EARLIER_PLAN_FILE,
    RUNS_FILE,
    TO_FILL_FILE,
    digest,
    save_plan,
    write_whole,
)

RUNS = pd.DataFrame(
    {
        "run": ["1", "2"],
        "print_order": [2, 1],
        "nozzle": [190.0, 230.0],
        "status": "planned",
        "note": "",
    }
)
TO_FILL = pd.DataFrame({"run": ["2", "1"], "quantity": "gloss", "value": "", "unit": "GU"})


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_digest_is_sha256() -> None:
    # FIPS 180-2, appendix B.1: the digest of the three letters "abc".
    assert digest(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert digest(b"") == hashlib.sha256().hexdigest()


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=100))
def test_bytes_are_written_as_they_are(tmp_path: Path, data: bytes) -> None:
    write_whole(tmp_path / "a.bin", data)
    assert (tmp_path / "a.bin").read_bytes() == data
    assert names(tmp_path) == ["a.bin"]


def test_line_ends_of_text_stay(tmp_path: Path) -> None:
    write_whole(tmp_path / "a.csv", "a\nb\r\nµ")
    assert (tmp_path / "a.csv").read_bytes() == b"a\nb\r\n\xc2\xb5"


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_failing_write_keeps_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    path = tmp_path / "a.csv"
    path.write_text("old")

    def fail(*_: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(os, step, fail)
    with pytest.raises(OSError, match="disk full"):
        write_whole(path, "new")
    assert path.read_text() == "old"
    assert names(tmp_path) == ["a.csv"]


@pytest.mark.skipif(os.name != "posix", reason="permissions and links as POSIX has them")
def test_permissions_and_links_stay(tmp_path: Path) -> None:
    path, link = tmp_path / "a.csv", tmp_path / "b.csv"
    path.write_text("old")
    path.chmod(0o640)
    link.symlink_to(path)
    write_whole(link, "new")
    assert link.is_symlink()
    assert path.read_text() == "new"
    assert path.stat().st_mode & 0o777 == 0o640


def test_a_plan_is_saved_and_saved_again(tmp_path: Path) -> None:
    save_plan(tmp_path, RUNS, TO_FILL)
    assert (tmp_path / RUNS_FILE).read_bytes() == (
        b"run,print_order,nozzle,status,note\n1,2,190,planned,\n2,1,230,planned,\n"
    )
    assert (
        tmp_path / TO_FILL_FILE
    ).read_text() == "run,quantity,value,unit\n2,gloss,,GU\n1,gloss,,GU\n"
    save_plan(tmp_path, RUNS, TO_FILL)
    assert names(tmp_path) == [TO_FILL_FILE, RUNS_FILE]


def test_an_earlier_plan_with_other_text_is_kept(tmp_path: Path) -> None:
    save_plan(tmp_path, RUNS.assign(note="written by hand"), TO_FILL)
    earlier = (tmp_path / RUNS_FILE).read_bytes()
    save_plan(tmp_path, RUNS, TO_FILL)
    assert (tmp_path / EARLIER_PLAN_FILE).read_bytes() == earlier
    assert b"by hand" not in (tmp_path / RUNS_FILE).read_bytes()


@pytest.mark.parametrize("status", ["printed", "failed", "Printed", "pritned"])
def test_a_plan_in_use_is_never_overwritten(tmp_path: Path, status: str) -> None:
    save_plan(tmp_path, RUNS, TO_FILL)
    path = tmp_path / RUNS_FILE
    path.write_text(path.read_text().replace("2,1,230,planned", f"2,1,230,{status}"))
    before = path.read_bytes()
    with pytest.raises(DesignError, match=r"run 2 is printed or failed\..*nothing was changed"):
        save_plan(tmp_path, RUNS, TO_FILL)
    assert path.read_bytes() == before
    assert names(tmp_path) == [TO_FILL_FILE, RUNS_FILE]


@pytest.mark.parametrize(
    "content", [b"run;status\x00", "run,status".encode("utf-16"), b"nothing,here\n1,2\n"]
)
def test_a_plan_nobody_can_read_is_not_overwritten(tmp_path: Path, content: bytes) -> None:
    (tmp_path / RUNS_FILE).write_bytes(content)
    with pytest.raises(DesignError, match="nobody knows"):
        save_plan(tmp_path, RUNS, TO_FILL)
    assert (tmp_path / RUNS_FILE).read_bytes() == content


@pytest.mark.parametrize("name", [TO_FILL_FILE, "readings.csv"])
def test_readings_are_not_orphaned(tmp_path: Path, name: str) -> None:
    save_plan(tmp_path, RUNS, TO_FILL)
    (tmp_path / name).write_text("run,quantity,value,unit\n1,gloss,30,GU\n")
    with pytest.raises(DesignError, match=f"{name} holds readings already"):
        save_plan(tmp_path, RUNS, TO_FILL)


def test_both_files_or_neither(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    save_plan(tmp_path, RUNS, TO_FILL)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    replace = os.replace

    def fail_second(source: Path, target: Path) -> None:
        if Path(target).name == TO_FILL_FILE:
            raise OSError("disk full")
        replace(source, target)

    monkeypatch.setattr(os, "replace", fail_second)
    with pytest.raises(OSError, match="disk full"):
        save_plan(tmp_path, RUNS.assign(nozzle=200.0), TO_FILL.assign(unit="mm"))
    monkeypatch.undo()
    after = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    assert after.pop(EARLIER_PLAN_FILE) == before[RUNS_FILE]
    assert after == before


def test_nothing_is_left_where_there_was_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    replace = os.replace

    def fail_second(source: Path, target: Path) -> None:
        if Path(target).name == TO_FILL_FILE:
            raise KeyboardInterrupt
        replace(source, target)

    monkeypatch.setattr(room.os, "replace", fail_second)
    with pytest.raises(KeyboardInterrupt):
        save_plan(tmp_path, RUNS, TO_FILL)
    assert names(tmp_path) == []
