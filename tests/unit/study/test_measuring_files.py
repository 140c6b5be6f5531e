"""gauge.csv, references.csv, curves/ and workbooks: read strictly, every problem with its place."""

from __future__ import annotations

import shutil
from datetime import date
from io import BytesIO
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kit.errors import Problem
from kit.study.intake import find_problems, take_in
from kit.study.tables import read_table
from kit.study.workbook import workbook_records
from tests.measuring_data import FOLDER

READING_COLUMNS = ["run", "specimen", "quantity", "value", "unit", "repeat"]


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    shutil.copytree(FOLDER, tmp_path / "study")
    return tmp_path / "study"


def problems(folder: Path) -> list[Problem]:
    return list(find_problems(folder)[1])


def workbook(*rows: list[object], sheet: str = "readings", more: tuple[str, ...] = ()) -> bytes:
    book = openpyxl.Workbook()
    book.active.title = sheet
    for row in rows:
        book.active.append(row)
    for name in more:
        book.create_sheet(name).append(["something"])
    stream = BytesIO()
    book.save(stream)
    return stream.getvalue()


def test_the_demo_is_taken_in_whole(demo: Path) -> None:
    data = take_in(demo)
    assert len(data.gauge) == 114
    assert set(data.gauge["quantity"]) == {"clip_width", "gloss"}
    assert len(data.references) == 25
    assert len(data.curves) == 20
    assert {"gauge.csv", "references.csv", "curves/01-A.csv"} <= set(data.digests)
    assert not any("not yet measured" in notice for notice in data.notices)


@pytest.mark.parametrize(
    ("row", "column", "words"),
    [
        ("1,Ada,P1,1,clip_width,20.03mm,mm,,,", "value", "unit"),
        ("1,Ada,P1,1,clip_width,=A2,mm,,,", "value", "formula"),
        ("1,Ada,P1,1,clip_width,4-Mar,mm,,,", "value", "date"),
        ("1,Ada,P1,1,clip_width,2003,mm,,,", "value", "decimal point"),
        ("1,Ada,,1,clip_width,20.03,mm,,,", "part", "empty"),
        ("1,Ada,P1,half,clip_width,20.03,mm,,,", "repeat", "number belongs"),
        ("1,Ada,P1,1.5,clip_width,20.03,mm,,,", "repeat", "whole"),
        ("1,Ada,P1,1,clip_widht,20.03,mm,,,", "quantity", "clip_width"),
        ("1,Ada,P1,1,,20.03,mm,,,", "quantity", "say what was read"),
        ("1,Ada,P1,1,clip_width,20.03,GU,,,", "unit", "length"),
    ],
)
def test_dirt_in_the_gauge_table(demo: Path, row: str, column: str, words: str) -> None:
    path = demo / "gauge.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([*lines, row]) + "\n", encoding="utf-8")
    found = problems(demo)
    assert [(p.file, p.row, p.column) for p in found] == [("gauge.csv", len(lines) + 1, column)]
    assert words in found[0].text


def test_the_same_gauge_reading_twice(demo: Path) -> None:
    path = demo / "gauge.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([*lines, lines[1]]) + "\n", encoding="utf-8")
    found = problems(demo)
    assert [(p.row, p.column) for p in found] == [(len(lines) + 1, "repeat")]
    assert "row 2" in found[0].text


def test_a_reference_with_two_true_values(demo: Path) -> None:
    path = demo / "references.csv"
    path.write_text(
        path.read_text(encoding="utf-8").replace("block 5,5,5.02", "block 5,6,5.02", 1),
        encoding="utf-8",
    )
    assert [p.column for p in problems(demo)] == ["true_value"]


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("01A.csv", "Time [s];Travel [mm];Force [N]\n" + "0;0;0\n" * 12, "called <run>-<specimen>"),
        ("99-A.csv", "Time [s];Travel [mm];Force [N]\n" + "".join(f"{i};{i};{i}\n" for i in range(12)), "not in runs.csv"),
        ("01-C.csv", "time;Travel [mm];Force [N]\n0;0;0\n", "no column of that name"),
        ("01-C.csv", "Time [s];Travel [mm];Force [N]\n0;0;0\n", "at least 10"),
        ("01-C.csv", "Time [s];Travel [mm];Force [N]\n" + "".join(f"{i};{i};x\n" for i in range(12)), "leave the cell empty"),
        ("01-C.csv", "Time [s];Travel [mm];Force [N]\n" + "".join(f"{i};{i};{-i}\n" for i in range(12)), "never rises"),
        ("01-C.csv", "Time [s];Travel [mm];Force [N]\n" + "".join(f"0;{i};{i}\n" for i in range(12)), "time does not grow"),
    ],
)  # fmt: skip
def test_dirt_in_a_curve(demo: Path, name: str, text: str, words: str) -> None:
    (demo / "curves" / name).write_text(text, encoding="utf-8")
    found = problems(demo)
    assert found
    assert all(p.file == f"curves/{name}" for p in found)
    assert words in found[0].text


def test_curves_without_a_strength_response(demo: Path) -> None:
    path = demo / "study.toml"
    path.write_text(
        path.read_text(encoding="utf-8")
        .replace('"three_point_bending"', '"direct"')
        .replace("span = 64", "# span")
        .replace('property = "modulus"', ""),
        encoding="utf-8",
    )
    assert any(p.file == "curves" and "no response" in p.text for p in problems(demo))


def test_a_workbook_gives_what_its_csv_gives(demo: Path) -> None:
    before = take_in(demo).readings
    path = demo / "readings.csv"
    lines = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
    place = lines[0].index("value")
    rows = [lines[0], *([*r[:place], float(r[place]), *r[place + 1 :]] for r in lines[1:])]
    (demo / "readings.xlsx").write_bytes(workbook(*rows))
    assert any("nobody knows which" in p.text for p in problems(demo))
    path.unlink()
    after = take_in(demo)
    assert after.readings.equals(before)
    assert "readings.xlsx" in after.digests


def test_formulas_dates_and_decimal_commas_in_a_workbook_are_problems(demo: Path) -> None:
    (demo / "readings.csv").unlink()
    values = ["=20+0.03", date(2024, 4, 3), "20,03", 20.03, True]
    rows = [[f"{i + 1:02d}", "A", "clip_width", v, "mm", 1] for i, v in enumerate(values)]
    (demo / "readings.xlsx").write_bytes(workbook(READING_COLUMNS, *rows))
    found = problems(demo)
    assert [(p.file, p.row, p.column) for p in found] == [
        ("readings.xlsx", i, "value") for i in (2, 3, 4, 6)
    ]
    for problem, word in zip(
        found, ("formula", "date", "decimal comma", "number belongs"), strict=True
    ):
        assert word in problem.text


def test_a_merged_header_is_a_problem() -> None:
    book = openpyxl.load_workbook(
        BytesIO(workbook(READING_COLUMNS, ["01", "A", "gloss", 40, "GU", 1]))
    )
    book.active.merge_cells("C1:D1")
    stream = BytesIO()
    book.save(stream)
    records, found = workbook_records(stream.getvalue(), "readings.xlsx")
    assert any("C1:D1 are merged" in p.text for p in found)
    table, all_found = read_table(
        stream.getvalue(), "readings.xlsx", required=("run", "quantity", "value")
    )
    assert any(p.column == "value" and "missing" in p.text for p in all_found)
    assert records
    assert table is not None


def test_the_sheet_with_the_right_name_counts() -> None:
    data = workbook(["run", "value"], ["1", 2], sheet="Readings", more=("notes",))
    assert workbook_records(data, "readings.xlsx")[0] == [(1, ["run", "value"]), (2, ["1", "2"])]
    other = workbook(["run", "value"], ["1", 2], sheet="Sheet1", more=("notes",))
    assert "2 sheets are filled" in workbook_records(other, "readings.xlsx")[1][0].text


def test_a_csv_that_is_a_workbook_inside_says_so(demo: Path) -> None:
    (demo / "readings.csv").write_bytes(workbook(READING_COLUMNS))
    assert any("workbook" in p.text for p in problems(demo))


WHOLE = workbook(["run", "value"], ["1", 2.5], ["2", "=A1"])


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, len(WHOLE) - 1), st.integers(0, 255)), max_size=12),
    st.integers(0, len(WHOLE)),
)
def test_a_damaged_workbook_is_a_problem_or_a_table(
    changes: list[tuple[int, int]], length: int
) -> None:
    data = bytearray(WHOLE)
    for place, byte in changes:
        data[place] = byte
    records, found = workbook_records(bytes(data[: length or len(data)]), "readings.xlsx")
    assert records or found or not length


@settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    data=st.binary(max_size=300),
    name=st.sampled_from(
        ["gauge.csv", "references.csv", "curves/01-A.csv", "readings.xlsx", "readings.csv"]
    ),
)
def test_random_bytes_never_raise_anything_else(demo: Path, data: bytes, name: str) -> None:
    path = demo / name
    before = path.read_bytes() if path.exists() else None
    path.write_bytes(data)
    try:
        found, listed = find_problems(demo)  # a table or its problems, and nothing else is raised
        assert (found is None) == bool(listed)
    finally:
        if before is None:
            path.unlink()
        else:
            path.write_bytes(before)
