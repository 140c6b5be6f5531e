from __future__ import annotations

import csv
from io import StringIO

import numpy as np
import pandas as pd
import pytest
from hypothesis import given

from kit.study.tables import TextTable, read_table, table_text
from tests.strategies import frames

COLUMNS = ("run", "nozzle", "note")


def read(text: str | bytes) -> tuple[TextTable, list[str]]:
    data = text.encode() if isinstance(text, str) else text
    table, problems = read_table(data, "t.csv", required=("run", "nozzle"), optional=("note",))
    assert table is not None
    return table, [str(p) for p in problems]


def reasons(text: str | bytes) -> list[str]:
    data = text.encode() if isinstance(text, str) else text
    return [
        str(p) for p in read_table(data, "t.csv", required=("run", "nozzle"), optional=("note",))[1]
    ]


@given(frames())
def test_a_table_written_reads_back_as_itself(frame: pd.DataFrame) -> None:
    text = table_text(frame)
    table, problems = read_table(text.encode(), "t.csv", required=list(frame.columns))
    assert problems == []
    assert table is not None
    assert table.cells("run") == frame["run"].tolist()
    for name in ("note", "excluded"):
        assert table.cells(name) == [cell.strip() for cell in frame[name]]
    numbers = [float(cell) if cell else np.nan for cell in table.cells("nozzle")]
    assert np.array_equal(numbers, frame["nozzle"], equal_nan=True)
    assert [int(cell) for cell in table.cells("block")] == frame["block"].tolist()
    assert table_text(frame) == text
    # No record may start a cell with a sign that a spreadsheet takes for a formula.
    records = list(csv.reader(StringIO(text, newline="")))
    marks = ("=", "+", "-", "@", "\t", "\r")
    assert not any(cell.startswith(marks) for record in records for cell in record[3:])


def test_formula_signs_get_an_apostrophe_and_numbers_do_not() -> None:
    frame = pd.DataFrame(
        {"run": ["1", "2", "3"], "nozzle": [-1.5, 2.0, np.nan], "note": ["=1+1", "'quoted", "-odd"]}
    )
    assert table_text(frame) == "run,nozzle,note\n1,-1.5,'=1+1\n2,2,'quoted\n3,,'-odd\n"
    assert read(table_text(frame))[0].cells("note") == ["=1+1", "'quoted", "-odd"]


def test_infinite_numbers_are_refused() -> None:
    with pytest.raises(ValueError, match="infinite"):
        table_text(pd.DataFrame({"run": [np.inf]}))


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_forms_of_the_same_table(separator: str, mark: str, end: str) -> None:
    lines = [["run", "nozzle", "note"], ["1", "190", '"a, b; c"'], [], ["2", "230", ""]]
    text = mark + end.join(separator.join(cells) for cells in lines) + end
    table, problems = read(text)
    assert problems == []
    assert table.rows == [2, 4]  # the empty row counts, as in a spreadsheet
    assert table.cells("nozzle") == ["190", "230"]
    assert table.cells("note") == ["a, b; c", ""]
    assert table.decimal_comma == (separator != ",")


def test_a_cell_of_several_lines_is_one_row() -> None:
    table, problems = read('run,nozzle,note\n1,190,"two\nlines"\n2,230,\n')
    assert problems == []
    assert table.rows == [2, 3]


def test_columns_in_any_order_and_optional_ones_left_out() -> None:
    table, problems = read("nozzle,run\n190,1\n")
    assert problems == []
    assert table.cells("run") == ["1"]
    assert table.cells("note") == [""]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "t.csv:0:  the file is empty; the first row names the columns: run, nozzle, note."),
        ("\n\n", "t.csv:0:  the file is empty"),
        ("run,note\n1,a\n", "t.csv:1:nozzle  column 'nozzle' is missing; add it to the header."),
        ("run,nozzle,nozzle\n1,2,3\n", "t.csv:1:nozzle  column 'nozzle' stands here twice"),
        ("run,nozle\n1,2\n", "t.csv:1:nozle  unknown column 'nozle'; did you mean 'nozzle'?"),
        ("run,nozzle,humidity\n1,2,3\n", "t.csv:1:humidity  unknown column 'humidity'; known columns: run, nozzle, note."),
        ("run,nozzle,\n1,2,3\n", "t.csv:1:  column 3 has cells but no name"),
        ("run,nozzle,note\n1,2,a\n1,2\n", "t.csv:3:  found 2 cells, the header has 3; add the missing commas"),
        ("run,nozzle,note\n1,2,a,b\n", "t.csv:2:  found 4 cells, the header has 3; put text that holds a comma in double quotes."),
        ("run,nozzle,note\n1,2,a\n2,2,a,b\n", "t.csv:3:  found 4 cells, the header has 3: does 'a,b' belong together? Put it in double quotes."),
        ("run,nozzle,note\n1,2,a\n2,20,03,x\n", "t.csv:3:  found 4 cells, the header has 3: is 20,03 a decimal comma? Write 20.03 with a point."),
        ("run,nozzle,note\n1,2,a\n2,20,03,\n", "t.csv:3:  found 4 cells, the header has 3; delete the commas too many at the end."),
        ("run,nozzle,note\n1,2,\n2,20,03,\n", "t.csv:3:  found 4 cells, the header has 3: is 20,03 a decimal comma?"),
        ("run,nozzle,note\n1,2,a\n2,2,a,b,c\n", "t.csv:3:  found 5 cells, the header has 3; put text"),
        ("run;nozzle;note\n1;2;a\n2;2;a;b\n", "t.csv:3:  found 4 cells, the header has 3: does 'a;b' belong together?"),
        ("run,nozzle,note\n1,2,a\n2,\"3,b\n", "t.csv:3:  a quote is opened and never closed"),
        (b"run,nozzle,note\n1,2,a\n2,3,D\xfcse\n", "t.csv:3:  byte 0xFC is not UTF-8 (in an older Windows encoding it would be '\u00fc'); save it again"),
        ("run,nozzle,note\n".encode("utf-16"), "t.csv:0:  this is UTF-16 text"),
        ("run,nozzle,note\n1,2,a\n".encode("utf-16-le"), "t.csv:1:  found a zero byte"),
        (b"PK\x03\x04rest", "t.csv:0:  this is a spreadsheet workbook"),
    ],
)  # fmt: skip
def test_everything_wrong_with_the_form_is_named(text: str | bytes, expected: str) -> None:
    [reason] = reasons(text)
    assert reason.startswith(expected)


def test_padding_a_spreadsheet_adds_is_no_problem() -> None:
    table, problems = read("run,nozzle,note,,\n1,2,a,,\n,,,,\n")
    assert problems == []
    assert table.rows == [2]
