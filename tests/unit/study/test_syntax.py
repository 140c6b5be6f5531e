from __future__ import annotations

import pytest

from kit.study.syntax import parse_toml


@pytest.mark.parametrize(
    ("line", "hint"),
    [
        ("low = 0,4", "a decimal comma; write 0.4."),
        ("unit = degC", 'text goes in quotes: "degC".'),
        ("step = 5 mm", "write the number alone: 5."),
        ("high = 80 %", "write the number alone: 80."),
        ("abrasive = True", "write true or false in small letters."),
        ("step = .5", "write a digit before the point: 0.5."),
        ("step = 1.", "write a digit after the point: 1.0."),
        ("seed = 007", "no zeros in front: 7."),
        ("low =", "no value after =; write one, or delete the line."),
        ("low: 190", "write = between key and value, not a colon."),
        ("name = \u201cnozzle\u201d", 'typographic quotes; write straight ones: ".'),
        ('name = "C:\\prints"', "a backslash in double quotes; put the text in single quotes."),
    ],
)
def test_common_slips_have_a_hint(line: str, hint: str) -> None:
    parsed = parse_toml(f"a = 1\n{line}  # with a comment\nb = 2\n")
    assert [(number, text.endswith(hint)) for number, _, text in parsed.faults] == [(2, True)]
    assert parsed.raw is not None
    assert {"a", "b"} <= parsed.raw.keys()
    assert parsed.lines == {2}


def test_all_faults_are_found_and_lines_stay_in_place() -> None:
    text = "a = x\n\nb = 1\nb = 2\nc = y\r\n[d]\nd = 0,1"
    parsed = parse_toml(text)
    assert [(line, key) for line, key, _ in parsed.faults] == [
        (1, "a"),
        (4, "b"),
        (5, "c"),
        (7, "d"),
    ]
    assert parsed.raw == {"a": 0, "b": 1, "c": 0, "d": {"d": 0}}
    assert parsed.text.count("\n") == text.count("\n")


def test_a_section_given_twice_is_named() -> None:
    parsed = parse_toml("[printer]\na = 1\n[printer]\nb = 2\n")
    assert parsed.raw is None
    [(line, _, text)] = parsed.faults
    assert line == 3
    assert "[printer] stands here for the second time" in text
