"""The data package: valid by the standard's own checker, readable by pandas alone, and the way back."""

from __future__ import annotations

import json
import shutil
import zipfile
from pathlib import Path

import pandas as pd
import pytest

from kit.errors import PublishError
from kit.report.finished import read_report
from kit.report.package.build import package_bytes, package_files
from kit.report.package.cards import citation
from kit.report.package.open import open_package
from kit.study.intake import take_in
from tests.wikis.small_report import write_small_report


@pytest.fixture
def study(tmp_path: Path) -> Path:
    return write_small_report(tmp_path / "study")


@pytest.fixture
def package(study: Path, tmp_path: Path) -> Path:
    path = tmp_path / "package.zip"
    path.write_bytes(package_bytes(read_report(study)))
    return path


def test_valid_by_the_standards_own_checker(package: Path, tmp_path: Path) -> None:
    frictionless = pytest.importorskip(
        "frictionless", reason="the standard's checker is an extra: pip install frictionless"
    )
    with zipfile.ZipFile(package) as archive:
        archive.extractall(tmp_path / "unpacked")
    report = frictionless.validate(str(tmp_path / "unpacked" / "datapackage.json"))
    assert report.valid, report.flatten(["title", "message"])
    assert {t.name for t in report.tasks} >= {"runs", "readings", "results"}


def test_checker_sees_a_fault(package: Path, tmp_path: Path) -> None:
    frictionless = pytest.importorskip(
        "frictionless", reason="the standard's checker is an extra: pip install frictionless"
    )
    with zipfile.ZipFile(package) as archive:
        archive.extractall(tmp_path / "unpacked")
    table = tmp_path / "unpacked" / "tables" / "readings.csv"
    table.write_text(table.read_text().replace(",31,", ",much,").replace("31.0", "much"))
    assert not frictionless.validate(str(tmp_path / "unpacked" / "datapackage.json")).valid


def test_opens_with_pandas_alone(package: Path, study: Path) -> None:
    with zipfile.ZipFile(package) as archive:
        readings = pd.read_csv(archive.open("tables/readings.csv"), dtype={"run": str})
        described = json.loads(archive.read("datapackage.json"))
    (resource,) = [r for r in described["resources"] if r["name"] == "readings"]
    assert list(readings.columns) == [f["name"] for f in resource["schema"]["fields"]]
    assert readings["value"].tolist() == take_in(study).readings["value"].tolist()


def test_descriptor_says_what_a_stranger_needs(package: Path) -> None:
    with zipfile.ZipFile(package) as archive:
        described = json.loads(archive.read("datapackage.json"))
        names = set(archive.namelist())
    assert described["licenses"][0]["name"] == "CC-BY-4.0"
    assert described["contributors"] == [{"title": "Invented Makerspace", "role": "author"}]
    assert {r["path"] for r in described["resources"]} == names - {"datapackage.json"}
    (runs,) = [r for r in described["resources"] if r["name"] == "runs"]
    fields = {f["name"]: f for f in runs["schema"]["fields"]}
    assert fields["nozzle"]["unit"] == "°C"
    assert runs["schema"]["primaryKey"] == ["run"]
    for part in (
        "cards/printer.json",
        "cards/spool.json",
        "cards/instruments.json",
        "CITATION.cff",
        "report/surface.ipynb",
    ):
        assert part in names


def test_same_study_same_bytes(study: Path) -> None:
    assert package_bytes(read_report(study)) == package_bytes(read_report(study))


def test_way_back(package: Path, study: Path, tmp_path: Path) -> None:
    again = open_package(package, tmp_path / "again")
    for name, digest in take_in(study).digests.items():
        assert take_in(again).digests[name] == digest
    with zipfile.ZipFile(package) as archive:
        archive.extractall(tmp_path / "unpacked")
    assert (open_package(tmp_path / "unpacked", tmp_path / "third") / "study.toml").is_file()


def test_folder_in_use_is_refused(package: Path, study: Path) -> None:
    with pytest.raises(PublishError, match="holds something"):
        open_package(package, study)


def repacked(study: Path, path: Path, **changes: bytes | None) -> Path:
    files = package_files(read_report(study))
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in {**files, **changes}.items():
            if data is not None:
                archive.writestr(name, data)
    return path


def test_changed_or_missing_file_is_named(study: Path, tmp_path: Path) -> None:
    path = repacked(study, tmp_path / "bad.zip", **{"study/readings.csv": b"x", "README.md": None})
    with pytest.raises(PublishError, match=r"(?s)README.md: missing.*study/readings.csv: changed"):
        open_package(path, tmp_path / "new")
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("bad", ["../evil.toml", "/etc/evil", "study/../../evil", "C:\\evil"])
def test_no_way_out_of_the_folder(study: Path, tmp_path: Path, bad: str) -> None:
    descriptor = json.loads(package_files(read_report(study))["datapackage.json"])
    descriptor["resources"].append({"name": "evil", "path": bad, "bytes": 1, "hash": "sha256:00"})
    path = repacked(
        study,
        tmp_path / "bad.zip",
        **{"datapackage.json": json.dumps(descriptor).encode(), bad: b"x"},
    )
    with pytest.raises(PublishError, match="outside itself"):
        open_package(path, tmp_path / "new")


def test_no_package(tmp_path: Path) -> None:
    (tmp_path / "a.zip").write_bytes(b"not a zip")
    (tmp_path / "empty").mkdir()
    for name, match in (
        ("a.zip", "no zip"),
        ("empty", "no data package"),
        ("none.zip", "there is no"),
    ):
        with pytest.raises(PublishError, match=match):
            open_package(tmp_path / name, tmp_path / "new")


def test_study_without_a_licence_says_so(study: Path) -> None:
    text = (study / "study.toml").read_text().replace('licence = "CC-BY-4.0"\n', "")
    shutil.rmtree(study)
    write_small_report(study)
    (study / "study.toml").write_text(text)
    from kit.study.read import read_study

    assert b"license" not in citation(read_study(study), "1")
