"""Command text: as the open dialect has it, reset at the end, and none beyond a hard stop."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.bench.snippets import RESET, fan_value, plan_snippets, run_snippet
from kit.bench.specimen_labels import (
    ALPHABET,
    check_character,
    is_label,
    label_sheet,
    label_table,
)
from kit.design.choose import choose_design
from kit.errors import SettingLimitError
from tests.unit.design.studies import BED, FAN, NOZZLE, SPEED, SPOOL, study

RUN = {"run": "07", "nozzle": 215.0, "bed": 60.0, "speed": 120.0, "fan": 40.0, "spool": "pink"}


def commands(text: str) -> list[str]:
    return [line.split(";")[0].strip() for line in text.splitlines() if not line.startswith(";")]


def test_a_run_is_set_waited_for_and_reset() -> None:
    asked = study(NOZZLE, BED, SPEED, FAN, SPOOL, printer={"nozzle_max": 250, "bed_max": 90})
    text = run_snippet(asked, RUN, 24)
    assert commands(text) == [
        "M104 S215", "M140 S60", "M109 R215", "M190 S60", "M220 S150", "M106 S102",
        "M220 S100", "M221 S100", "M107", "M104 S0", "M140 S0",
    ]  # fmt: skip
    assert "run 07 of 24" in text
    assert "spool pink" in text
    assert "nozzle max 250" in text


def test_settings_beyond_a_hard_stop_get_no_text() -> None:
    with pytest.raises(SettingLimitError, match="nozzle 215 °C is above nozzle_max = 210"):
        run_snippet(study(NOZZLE, printer={"nozzle_max": 210}), RUN, 1)
    with pytest.raises(SettingLimitError, match="bed 60 °C is above bed_max = 55"):
        run_snippet(study(NOZZLE, BED, printer={"bed_max": 55}), RUN, 1)
    with pytest.raises(SettingLimitError, match="0 to 100"):
        fan_value(128)


@given(st.floats(0, 100))
def test_fan_duties_become_whole_numbers(duty: float) -> None:
    assert fan_value(duty) == round(255 * duty / 100)


def test_all_planned_runs_are_written_and_each_ends_cold() -> None:
    asked = study(NOZZLE, FAN, terms="interactions")
    runs = choose_design(asked)
    runs.loc[0, "status"] = "printed"
    text = plan_snippets(asked, runs)
    assert text.count("M107 ") == len(runs) - 1
    assert text.rstrip().endswith(RESET[-1])


def test_a_stack_waits_only_at_the_plate() -> None:
    asked = study(NOZZLE, family="height_stacked")
    runs = choose_design(asked)
    text = plan_snippets(asked, runs)
    assert text.count("M109 ") == runs["block"].nunique()
    assert text.count("; level ") == len(runs)


words = st.text(ALPHABET, min_size=3, max_size=3)


@given(words, st.integers(0, 3), st.sampled_from(ALPHABET))
def test_every_single_slip_is_noticed(word: str, place: int, wrong: str) -> None:
    label = word + check_character(word)
    assert is_label(label)
    assert is_label(label.lower())
    slipped = label[:place] + wrong + label[place + 1 :]
    assert is_label(slipped) == (slipped == label)


@given(words, st.integers(0, 2))
def test_changed_places_are_noticed(word: str, place: int) -> None:
    label = word + check_character(word)
    swapped = label[:place] + label[place + 1] + label[place] + label[place + 2 :]
    assert is_label(swapped) == (swapped == label)


def test_labels_hold_no_look_alikes_and_are_all_different(rng: np.random.Generator) -> None:
    assert not set("01OQI2Z5S8BUV") & set(ALPHABET)
    asked = study(NOZZLE, FAN, terms="interactions", specimen={"specimens_per_print": 3})
    runs = choose_design(asked)
    runs.loc[1, "status"] = "failed"
    table = label_table(asked, runs, rng)
    assert len(table) == (len(runs) - 1) * 3
    assert table["label"].is_unique
    assert all(map(is_label, table["label"]))


def test_the_sheet_tells_nothing_of_run_or_order(rng: np.random.Generator) -> None:
    table = pd.DataFrame({"label": ["XXXX", "3DJ3"], "run": ["01", "02"], "specimen": ["A", "A"]})
    html = label_sheet(study(), table, codes=False)
    assert html.index("3DJ3") < html.index("XXXX")
    assert "svg" not in html.split("</style>")[-1]
    coded = label_sheet(study(), table)
    assert coded.count("<svg") == 2
    assert "http" not in coded.replace("http://www.w3.org/2000/svg", "")
