"""The page of all studies: what was found, and whether it still holds."""

from __future__ import annotations

from pathlib import Path

import pytest

from kit.errors import PublishError
from kit.report.space import space_entries, write_index
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
