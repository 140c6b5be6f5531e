"""Where the answer holds: the box of ranges, the map of the chance, and what giving way on a limit would buy."""

from __future__ import annotations

from collections.abc import Iterator

from kit.analysis import Analysis
from kit.charts.window import draw_chance_map
from kit.report.document import Block, Group, Sentences, Table
from kit.report.figures import figure_block, view_of
from kit.report.show_confirm import FORETOLD_ONLY
from kit.report.wording import decimals_for, number, plain, requirement, setting, spoken
from kit.saying import listed, percent, stated_percent, with_unit
from kit.study.description import Study
from kit.window.relaxation import PASSES
from kit.window.result import Window


def show_window(analysis: Analysis) -> Group:
    """Show the window: the box of ranges and the map of the chance to meet everything."""
    window, study = analysis.window, analysis.study
    if window is None:
        return Group((Sentences(("There is no map yet: see what is missing above.",)),))
    blocks: list[Block] = []
    if analysis.withdrawn:
        blocks.append(Sentences((FORETOLD_ONLY,), tone="notice"))
    elif window.ranges:
        blocks.append(_ranges_table(window, study))
        share = f"{_part(window.share)} the printable settings in the tried region belong to the window."
        blocks.append(Sentences((share, *_other_levels(window, study)), tone="minor"))
    if _has_scale(study):
        blocks.append(
            figure_block(draw_chance_map(window, study, analysis.runs, view_of(analysis)))
        )
    if window.relaxations:
        blocks.append(_relaxation_table(window, study))
    return Group(tuple(blocks))


def _other_levels(window: Window, study: Study) -> Iterator[str]:
    """Name the levels of categories, other than that of the ranges, at which the window goes on."""
    good = window.grid[window.grid["probability"] >= window.confidence]
    for factor in study.factors:
        if factor.is_category:
            mine = str(window.ranges[factor.name][0])
            others = [
                v for v in factor.levels if v != mine and bool((good[factor.name] == v).any())
            ]
            if others:
                them = "it" if len(others) == 1 else "them"
                yield (
                    f"The ranges are those at {spoken(factor.name)} {mine}; with {listed(others)} some settings reach "
                    f"{stated_percent(window.confidence)} too, but the ranges were not found for {them}."
                )


def _part(share: float) -> str:
    return "All of" if share == 1 else f"{percent(share)} of"


def _has_scale(study: Study) -> bool:
    return any(not f.is_category for f in study.factors)


def _ranges_table(window: Window, study: Study) -> Table:
    rows = []
    for factor in study.factors:
        low, high = window.ranges[factor.name]
        tried = window.steps[factor.name]
        rows.append(
            (
                spoken(factor.name),
                setting(factor, low),
                setting(factor, high),
                ", ".join(map(str, tried))
                if factor.is_category
                else f"{setting(factor, tried[0])} to {setting(factor, tried[-1])}",
            )
        )
    caption = (
        f"Any printable setting between these ends meets every requirement with at least "
        f"{stated_percent(window.confidence)} chance."
    )
    return Table(("Setting", "From", "To", "Tried"), tuple(rows), caption, numeric=(1, 2, 3))


def _relaxation_table(window: Window, study: Study) -> Table:
    rows = []
    for relaxed in window.relaxations:
        response = study.response_named(relaxed.response)
        if relaxed.side == PASSES:
            best = percent(relaxed.probability_without)
            rows.append((response.title, requirement(response), "no limit to move", best))
            continue
        side = "at least" if relaxed.side == "lower" else "at most"
        gap = 0.0 if relaxed.needed is None else abs(relaxed.needed - relaxed.limit)
        places = decimals_for(gap or 1.0)
        needed = "no value helps alone"
        if relaxed.needed is not None:
            needed = f"{side} {with_unit(number(relaxed.needed, places), response.unit)}"
        rows.append(
            (
                response.title,
                f"{side} {with_unit(plain(relaxed.limit), response.unit)}",
                needed,
                percent(relaxed.probability_without),
            )
        )
    columns = (
        "Response",
        "Limit now",
        f"Limit that would give {stated_percent(window.confidence)}",
        "Best chance without it",
    )
    return Table(
        columns, tuple(rows), "What giving way on one limit alone would buy.", numeric=(3,)
    )
