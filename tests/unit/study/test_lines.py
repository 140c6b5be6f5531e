from __future__ import annotations

import tomllib

import pytest

from kit.study.lines import dotted, key_lines, line_of

TEXT = """\
# [not.a.section]
title = "a [[factor]] in text"   # comment with ] and "

long = [
  1, [2, 3],  # ] here
  "]",
]
words = '''
[fake]
low = 3
'''
quoted."a.b" = { x = 1, y = [1, 2] }

[printer] # hot
nozzle_max = 250
[[factor]]
name = "one"
"low" = 1

[[factor]]
name = \"\"\"two
[[factor]]\"\"\"
high = 2
[factor.extra]
deep = 1
"""


def test_every_key_is_found_in_its_line() -> None:
    tomllib.loads(TEXT)
    lines = key_lines(TEXT)
    assert lines[("title",)] == 2
    assert lines[("long",)] == 4
    assert lines[("words",)] == 8
    assert lines[("quoted", "a.b")] == 12
    assert lines[("printer", "nozzle_max")] == 15
    assert lines[("factor", 0)] == 16
    assert lines[("factor", 0, "low")] == 18
    assert lines[("factor", 1, "name")] == 21
    assert lines[("factor", 1, "high")] == 23
    assert lines[("factor", 1, "extra", "deep")] == 25
    assert not any("fake" in path for path in lines)


def test_a_missing_key_has_the_line_of_what_holds_it() -> None:
    lines = key_lines(TEXT)
    assert line_of(lines, ("factor", 1, "low")) == 20
    assert line_of(lines, ("quoted", "a.b", "x")) == 12
    assert line_of(lines, ("nowhere", 3)) == 0


@pytest.mark.parametrize(
    ("path", "text"),
    [
        ((), ""),
        (("title",), "title"),
        (("factor", 0), "factor[1]"),
        (("factor", 1, "low"), "factor[2].low"),
    ],
)
def test_paths_in_messages_count_from_one(path: tuple[str | int, ...], text: str) -> None:
    assert dotted(path) == text
