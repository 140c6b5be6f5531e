from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.study.cells import not_a_number, parse_numbers
from tests.strategies import cell_text, finite


@given(st.lists(finite, max_size=5), st.booleans())
def test_written_numbers_read_back_as_themselves(values: list[float], comma: bool) -> None:
    cells = [repr(v).replace(".", ",") if comma else repr(v) for v in values]
    read, wrong, empty = parse_numbers(cells, decimal_comma=comma)
    assert read.tolist() == values
    assert not wrong.any()
    assert not empty.any()


@given(st.lists(cell_text, max_size=5), st.booleans())
def test_every_cell_is_a_number_empty_or_wrong(cells: list[str], comma: bool) -> None:
    cells = [cell.strip() for cell in cells]
    values, wrong, empty = parse_numbers(cells, decimal_comma=comma)
    assert (np.isfinite(values) ^ wrong ^ empty).all()
    for cell in np.array(cells, dtype=object)[wrong]:
        assert not_a_number(cell, decimal_comma=comma)


@pytest.mark.parametrize(
    "cell", ["nan", "inf", "1_000", "0x10", "\u0663", "1e999", "1 000", "True", "1,5", "--1"]
)
def test_what_python_would_read_is_not_read(cell: str) -> None:
    values, wrong, _ = parse_numbers([cell], decimal_comma=False)
    assert math.isnan(values[0])
    assert wrong[0]


def test_points_in_groups_are_doubtful_only_beside_decimal_commas() -> None:
    assert parse_numbers(["1.234", "20.03"], decimal_comma=True)[0].tolist() == [1.234, 20.03]
    values, wrong, _ = parse_numbers(["1.234", "20,03"], decimal_comma=True)
    assert wrong.tolist() == [True, False]
    assert values[1] == 20.03


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("20,03", "decimal comma; write 20.03"),
        ("-", "leave the cell empty"),
        ("n/a", "leave the cell empty"),
        ("#N/A", "leave the cell empty"),
        ("#REF!", "error of a spreadsheet formula"),
        ("=A1*2", "formulas are never worked out"),
        ("+A1", "a number belongs here"),
        ("3-4", "a date"),
        ("3/4", "a date"),
        ("3. Apr", "a date"),
        ("04-Mar", "a date"),
        ("Apr 25", "a date"),
        ("20.03.2025", "a date"),
        ("2025-03-20 10:00", "a date"),
        ("45%", "write 45 here and % in the column unit"),
        ("20.03mm", "write 20.03 here and mm in the column unit"),
        ("20,03 \u00b5m", "write 20.03 here and um in the column unit"),
        ("1.2kN", "write 1.2 here and kN in the column unit"),
        ("1,234.5", "without commas between thousands"),
        ("1 234", "without blanks between thousands"),
        (">100", "the remark in the column note"),
        ("20.1 20.2", "one a row"),
        ("1e999", "too large"),
        ("twenty", "a number belongs here"),
    ],
)
def test_what_is_no_number_is_recognised(cell: str, words: str) -> None:
    assert words in not_a_number(cell)
