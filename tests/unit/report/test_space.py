"""The page of all studies: what was found, and whether it still holds."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from kit.errors import PublishError
from kit.report.space import space_entries, write_index
from kit.study.intake import take_in
from tests.wikis.small_report import write_small_report


def test_each_state_is_marked(tmp_path: Path) -> None:
    write_small_report(tmp_path / "good", title="Good <one>")
    write_small_report(tmp_path / "deep" / "confirmed", confirmation={"verdict": "meets"})
    write_small_report(tmp_path / "withdrawn", head='withdrawn = "the scale was off"')
    stale = write_small_report(tmp_path / "stale")
    (stale / "readings.csv").write_text((stale / "readings.csv").read_text().replace("52", "53"))
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "study.toml").write_text("titel = 1\n")
    found = {e.folder: e for e in space_entries(tmp_path)}
    assert {k: e.standing for k, e in found.items()} == {
        "good": "not yet confirmed",
        "deep/confirmed": "confirmed",
        "withdrawn": "withdrawn",
        "stale": "stale; not yet confirmed",
        "broken": "cannot be read",
    }
    assert [k for k, e in found.items() if e.usable] == ["deep/confirmed", "good"]
    assert found["good"].settings == "nozzle 215 °C"
    page = write_index(tmp_path).read_text(encoding="utf-8")
    assert "Good &lt;one&gt;" in page
    assert page.count("<tr") == 6
    assert 'href="deep/confirmed/report/index.html"' in page
    assert "the scale was off" in page
    assert "http" not in page, "nothing is loaded from elsewhere"
    assert write_index(tmp_path).read_text(encoding="utf-8") == page


def test_somebody_elses_page_stays(tmp_path: Path) -> None:
    write_small_report(tmp_path / "good")
    (tmp_path / "index.html").write_text("mine")
    with pytest.raises(PublishError, match="not overwritten"):
        write_index(tmp_path)


def test_empty_space(tmp_path: Path) -> None:
    with pytest.raises(PublishError, match="holds no study"):
        write_index(tmp_path)


def test_counts_say_what_is_confirmed(tmp_path: Path) -> None:
    write_small_report(tmp_path / "good")
    write_small_report(tmp_path / "confirmed", confirmation={"verdict": "meets"})
    page = write_index(tmp_path).read_text(encoding="utf-8")
    assert "2 studies; 2 with settings to set a printer by, 1 of them confirmed." in page


def test_an_adopters_report_is_found_and_its_donors_copy_is_no_study_of_the_space(
    tmp_path: Path,
) -> None:
    donor = write_small_report(tmp_path / "adopter" / "donor")
    adopter = write_small_report(
        tmp_path / "adopter", title="Here", head='[adopt]\ndonor = "donor"\n'
    )
    made = json.loads((adopter / "report" / "results.json").read_text(encoding="utf-8"))
    made["digest"] = "another, since the donor's files count as well"
    made["donor"] = {"title": "There"}
    made["provenance"]["input_digests"] = {**take_in(adopter).digests, "donor/study.toml": "abc"}
    (adopter / "report" / "adopt").mkdir()
    (adopter / "report" / "adopt" / "results.json").write_text(json.dumps(made), encoding="utf-8")
    (adopter / "report" / "adopt" / "index.html").write_text("page", encoding="utf-8")
    (adopter / "report" / "index.html").unlink()
    (adopter / "report" / "results.json").unlink()
    (found,) = space_entries(tmp_path)
    assert (found.title, found.standing) == ("Here", "not yet confirmed")
    assert found.link == "adopter/report/adopt/index.html"
    (donor / "readings.csv").unlink()  # nobody looks into it
    assert len(space_entries(tmp_path)) == 1


def test_a_comparison_alone_is_linked(tmp_path: Path) -> None:
    folder = write_small_report(tmp_path / "colours")
    (folder / "report" / "compare").mkdir()
    (folder / "report" / "compare" / "index.html").write_text("page", encoding="utf-8")
    (folder / "report" / "results.json").unlink()
    (found,) = space_entries(tmp_path)
    assert (found.standing, found.usable) == ("compare only", False)
    assert found.link == "colours/report/compare/index.html"
