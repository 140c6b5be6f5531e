"""Publishing into a git repository: commits, never forced."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from kit.errors import ConflictError, PublishError
from kit.report.publish.repository import Repository
from tests.wikis.publishing import to_repository
from tests.wikis.small_report import write_small_report


def git(*arguments: str, cwd: Path) -> str:
    identity = ("-c", "user.name=Human", "-c", "user.email=human@example.org")
    done = subprocess.run(
        ["git", *identity, *arguments], cwd=cwd, capture_output=True, text=True, check=True
    )
    return done.stdout


@pytest.fixture
def remote(tmp_path: Path) -> Path:
    bare = tmp_path / "wiki.git"
    git("init", "--quiet", "--bare", str(bare), cwd=tmp_path)
    return bare


def clone(remote: Path, name: str) -> Path:
    folder = remote.parent / name
    git("clone", "--quiet", str(remote), str(folder), cwd=remote.parent)
    return folder


def test_whole_way(remote: Path, tmp_path: Path) -> None:
    study = write_small_report(tmp_path / "study", title="Whole way")
    publish = to_repository(str(remote), tmp_path / "settings")
    assert publish(study, send=False).outcome == "create"
    assert publish(study).sent
    assert publish(study).outcome == "unchanged"
    copy = clone(remote, "copy")
    page = (copy / "prints" / "whole-way.md").read_text(encoding="utf-8")
    pictures = [p for p in (copy / "prints" / "whole-way-files").iterdir() if p.suffix == ".png"]
    assert len(pictures) == 1, "Markdown sets formulas itself"
    assert f"](whole-way-files/{pictures[0].name})" in page
    assert "P\\>\\|t\\|" in page
    assert git("rev-list", "--count", "HEAD", cwd=copy).strip() == "1"
    write_small_report(study, title="Whole way", grey=120)
    assert publish(study).sent
    git("pull", "--quiet", cwd=copy)
    assert not pictures[0].exists(), "pictures that no page shows are removed"


def test_somebody_elses_words_stay(remote: Path, tmp_path: Path) -> None:
    study = write_small_report(tmp_path / "study", title="By hand")
    publish = to_repository(str(remote), tmp_path / "settings")
    publish(study)
    copy = clone(remote, "copy")
    page = copy / "prints" / "by-hand.md"
    page.write_text(page.read_text(encoding="utf-8") + "\nMine came out matt.\n", encoding="utf-8")
    git("commit", "--quiet", "--all", "--message", "remark", cwd=copy)
    git("push", "--quiet", cwd=copy)
    write_small_report(study, title="By hand", said="Other words.")
    with pytest.raises(ConflictError, match=r"(?s)was not touched.*\+Mine came out matt"):
        publish(study)
    assert publish(study, force=True).sent


def test_push_in_between_is_a_conflict(remote: Path, tmp_path: Path) -> None:
    with Repository(str(remote)) as first:
        first.push({"a.md": b"one"}, "first")
    with Repository(str(remote)) as slow, Repository(str(remote)) as quick:
        quick.push({"b.md": b"two"}, "quick")
        with pytest.raises(ConflictError, match="meanwhile"):
            slow.push({"c.md": b"three"}, "slow")
    assert sorted(p.name for p in clone(remote, "copy").glob("*.md")) == ["a.md", "b.md"]


def test_no_repository_there(tmp_path: Path) -> None:
    with (
        pytest.raises(PublishError, match="git clone failed"),
        Repository(str(tmp_path / "nowhere.git")),
    ):
        pass


def test_no_way_out_of_the_repository(remote: Path) -> None:
    with Repository(str(remote)) as repository:
        for name in ("../out.md", ".git/hooks/post-commit"):
            with pytest.raises(PublishError, match="outside"):
                repository.push({name: b"x"}, "no")
