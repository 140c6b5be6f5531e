from __future__ import annotations

import sys

import pytest

from kit.analysis import Analysis, analyse
from kit.errors import ModelError
from kit.report.document import Group
from kit.report.explore import explore
from tests.deciding_data import FIRST


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    return analyse(FIRST)


def test_without_widgets_the_table_is_shown(
    analysis: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "ipywidgets", None)
    shown = explore(analysis, {"nozzle": 190.0, "speed": 50.0, "fan": 60.0})
    assert isinstance(shown, Group)
    text = shown.plain()
    assert "nozzle\t190 °C\t190 °C to 230 °C" in text
    assert "outside the window" in text
    assert "inside the window" in explore(analysis).plain()


def test_buttons_move_by_printable_steps(analysis: Analysis) -> None:
    widgets = pytest.importorskip("ipywidgets")
    box = explore(analysis)
    assert isinstance(box, widgets.VBox)
    row = box.children[0]
    minus, label, plus = row.children[1:]
    assert "215" in label.value
    plus.click()
    assert "220" in label.value
    assert "nozzle 220" in box.children[-1].value.replace("&nbsp;", " ")
    for _ in range(5):
        plus.click()
    assert "230" in label.value
    minus.click()
    assert "225" in label.value


def test_where_nobody_printed_nothing_is_foretold(
    analysis: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "ipywidgets", None)
    text = explore(analysis, {"nozzle": 190.0, "speed": 120.0, "fan": 100.0}).plain()
    assert "nobody printed near that" in text


def test_no_answer_is_nothing_to_explore(analysis: Analysis) -> None:
    from dataclasses import replace

    with pytest.raises(ModelError, match="no answer to explore"):
        explore(replace(analysis, window=None))
