"""What the answer says at the edges: nothing required, everything good, categories, several failed prints."""

from __future__ import annotations

from dataclasses import replace

import pytest

from kit.analysis import Analysis, analyse
from kit.report.show_answer import show_answer
from kit.report.show_elsewhere import show_other_printers
from kit.report.show_sureness import show_confidence
from kit.report.show_tradeoffs import show_trade_offs
from kit.report.show_window import show_window
from kit.study.resources import resource_folder
from kit.window.notes import best_reached
from kit.window.tradeoff import UNSEEN, trade_offs


@pytest.fixture(scope="module")
def demo() -> Analysis:
    return analyse(resource_folder("data") / "satin-or-gloss")


def test_a_chance_that_is_high_throughout(demo: Analysis) -> None:
    assert demo.window is not None
    assert demo.window.recommended is not None
    sure = replace(demo.window.recommended, probability=0.9999, low=0.997, high=1.0)
    analysis = replace(demo, window=replace(demo.window, recommended=sure, share=1.0))
    assert "(95 % interval wholly above 99 %)" in show_answer(analysis).plain()
    text = show_window(analysis).plain()
    assert "All of the printable settings in the tried region belong to the window." in text
    same = replace(sure, probability=0.97, low=0.968, high=0.972)
    analysis = replace(demo, window=replace(demo.window, recommended=same))
    assert "(95 % interval 97 % throughout)" in show_answer(analysis).plain()


def test_failed_prints_are_counted_in_words(demo: Analysis) -> None:
    runs = demo.runs.copy()
    assert "1 print failed (run 16). A print" in show_answer(demo).plain()
    runs.loc[runs["run"] == "15", "status"] = "failed"
    data = replace(demo.data, runs=runs)
    assert (
        "2 prints failed (runs 15 and 16). A print" in show_answer(replace(demo, data=data)).plain()
    )


def test_nothing_required_is_said_so() -> None:
    analysis = analyse(resource_folder("data") / "which-settings-matter")
    assert "nothing is required" in show_trade_offs(analysis).plain()
    assert "nothing is required" in show_other_printers(analysis).plain()
    assert "No requirement is stated" in show_confidence(analysis).plain()


def test_other_levels_of_the_window_are_named() -> None:
    analysis = analyse(resource_folder("data") / "colours-and-blend")
    window = analysis.window
    assert window is not None
    grid = window.grid.assign(probability=0.95)
    mine = {"colour": ("white", "white"), "blend": ("plain", "plain")}
    steps = {f.name: f.levels for f in analysis.study.factors}
    held = replace(window, grid=grid, ranges=mine, steps=steps, confidence=0.9)
    text = show_window(replace(analysis, window=held)).plain()
    assert (
        "The ranges are those at colour white; with pink and green some settings reach 90 % too"
        in text
    )
    assert "white, pink, green" in text


def test_an_end_of_the_box_that_was_only_not_looked_beyond(demo: Analysis) -> None:
    found = demo.trade_offs
    assert found is not None
    edge = replace(found.edges[0], stopped_by=UNSEEN)
    demo = replace(demo, window=demo.window)
    demo.__dict__["trade_offs"] = replace(found, edges=(edge,))
    assert "the next step holds as well" in show_trade_offs(demo).plain()


def test_a_box_on_a_thinned_grid_does_not_claim_that_nobody_tried_beyond(demo: Analysis) -> None:
    window = demo.window
    assert window is not None
    assert window.recommended is not None
    # A box cut down to its middle: wherever the next step is good and tried, nothing stops it there.
    chosen = window.recommended.settings
    small = replace(window, ranges={name: (value, value) for name, value in chosen.items()})
    edges = {(e.factor, e.side): e for e in trade_offs(demo.judged, demo.study, small).edges}
    assert edges["fan", "high"].stopped_by == UNSEEN
    assert edges["fan", "high"].probability >= window.confidence
    assert demo.trade_offs is not None
    whole = {(e.factor, e.side): e for e in demo.trade_offs.edges}
    assert whole["nozzle", "low"].stopped_by == "gloss"
    assert whole["nozzle", "low"].probability < window.confidence


def test_no_chance_at_all_names_no_best_place(demo: Analysis) -> None:
    assert demo.window is not None
    assert demo.window.recommended is not None
    settings = demo.window.recommended.settings
    text = best_reached(demo.study, settings, 1e-9, 0.9)
    assert text == "No printable setting in the tried region reaches 90 %, and none even 1 %."
    assert "is 61.2 %, at nozzle 215 °C" in best_reached(demo.study, settings, 0.6129, 0.9)


def test_levels_of_a_stack_are_not_called_prints(demo: Analysis) -> None:
    design = demo.study.design.model_copy(update={"family": "height_stacked"})
    study = demo.study.model_copy(update={"design": design})
    stacked = replace(demo, data=replace(demo.data, study=study))
    assert "from 17 levels in 1 stack." in show_answer(stacked).plain()
