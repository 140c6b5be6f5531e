"""Whole small study folders: every planted fault is found, in one go, at its file, row and column.

``expected.txt`` in each folder lists ``file:row:column | words of the message``.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from kit.errors import StudyError
from kit.study.intake import find_problems, take_in

STUDIES = sorted(p for p in (Path(__file__).parents[2] / "studies").iterdir() if p.is_dir())


def planted(folder: Path) -> list[tuple[str, str]]:
    path = folder / "expected.txt"
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    return [(place, words) for place, words in (line.split(" | ") for line in lines)]


def test_there_are_healthy_and_dirty_folders() -> None:
    dirty = [p.name for p in STUDIES if planted(p)]
    assert len(dirty) >= 9
    assert len(STUDIES) - len(dirty) >= 4


@pytest.mark.parametrize("folder", STUDIES, ids=lambda p: p.name)
def test_every_planted_fault_is_found_and_nothing_else(folder: Path) -> None:
    data, problems = find_problems(folder)
    expected = planted(folder)
    left = [(f"{p.file}:{p.row}:{p.column}", p.text) for p in problems]
    for place, words in expected:
        found = [f for f in left if f[0] == place and words in f[1]]
        assert found, f"{place} ({words}) is not among {left}"
        left.remove(found[0])
    assert left == []
    assert (data is None) == bool(expected)


@pytest.mark.parametrize("folder", [p for p in STUDIES if planted(p)], ids=lambda p: p.name)
def test_take_in_raises_all_of_them_in_file_order(folder: Path) -> None:
    with pytest.raises(StudyError, match=r"nothing was changed\.") as caught:
        take_in(folder)
    problems = caught.value.problems
    assert len(problems) == len(planted(folder))
    rank = {"study.toml": 0, "runs.csv": 1, "readings.csv": 2}
    assert [rank[p.file] for p in problems] == sorted(rank[p.file] for p in problems)
    for name in rank:
        rows = [p.row for p in problems if p.file == name]
        # Header problems come first in a file, then rows in order.
        assert rows == sorted(rows)


def test_semicolons_tabs_marks_and_windows_line_ends_give_the_same_tables() -> None:
    by_name = {p.name: p for p in STUDIES}
    data = take_in(by_name["semicolons"])
    assert data.readings["value"].tolist() == [31.5, 20.03, 44.0, 20.05, 29.2, 19.97, 41.8, 20.01]
    assert data.readings["row"].tolist() == list(range(2, 10))
    assert data.runs["nozzle"].tolist() == [190, 230, 190, 230]


def test_planned_and_described_studies_are_no_problem() -> None:
    by_name = {p.name: p for p in STUDIES}
    planned = take_in(by_name["planned_only"])
    assert planned.readings.empty
    assert "None of the 4 planned runs is printed yet." in planned.notices
    described = take_in(by_name["described_only"])
    assert described.runs.empty
    assert list(described.runs.columns) == list(planned.runs.columns)
    assert (described.runs.dtypes == planned.runs.dtypes).all()
    assert (described.readings.dtypes == planned.readings.dtypes).all()
    assert set(described.digests) == {"study.toml"}
