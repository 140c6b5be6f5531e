"""The commands that share results, without a wiki."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from kit.cli import main
from tests.wikis.small_report import write_small_report


def test_package_and_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study = write_small_report(tmp_path / "study")
    assert main(["package", str(study)]) == 0
    package = study / "published" / "data-package.zip"
    assert main(["open", str(package), str(tmp_path / "again")]) == 0
    assert (tmp_path / "again" / "readings.csv").read_bytes() == (
        study / "readings.csv"
    ).read_bytes()
    assert main(["open", str(package), str(tmp_path / "again")]) == 1
    assert "holds something already" in capsys.readouterr().err


def test_index(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_small_report(tmp_path / "space" / "study")
    assert main(["index", str(tmp_path / "space")]) == 0
    assert "index.html" in capsys.readouterr().out


@pytest.mark.parametrize("engine", ["mediawiki", "dokuwiki", "markdown"])
def test_bundle(tmp_path: Path, engine: str) -> None:
    study = write_small_report(tmp_path / "study")
    target = tmp_path / "page.zip"
    assert main(["publish", str(study), "--bundle", str(target), "--engine", engine]) == 0
    assert "HOW-TO.txt" in zipfile.ZipFile(target).namelist()


def test_unknown_wiki_is_a_problem_not_a_crash(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TESTPRINT_WIKIS", str(tmp_path / "none.toml"))
    assert main(["publish", str(write_small_report(tmp_path / "study")), "--to", "x"]) == 1
    assert "No wikis are described yet" in capsys.readouterr().err


def test_usage(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main(["publish", "study"])
    assert caught.value.code == 2
    with pytest.raises(SystemExit):
        main(["publish", "--help"])
    assert "TESTPRINT_NAME_SECRET" in capsys.readouterr().out
