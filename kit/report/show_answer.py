"""The first part of a surface report: the answer, how sure we are, and where it holds."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

from kit.analysis import Analysis
from kit.charts.picture import Picture
from kit.charts.window import draw_chance_map, draw_limits_strip
from kit.design.height_stacked import HEIGHT_STACKED
from kit.model.scale_words import middle_part_note
from kit.report.document import Answer, Block, Group, Heading, Sentences, Table
from kit.report.figures import begin_drawing, figure_block, view_of
from kit.report.show_both_ways import both_ways_notes
from kit.report.show_confirm import banner, why, withdrawn
from kit.report.show_data import measured_drawings
from kit.report.show_models import effect_drawings, story_drawings
from kit.report.show_outcomes import outcome_blocks
from kit.report.show_success import success_notes
from kit.report.wording import (
    count,
    decimals_for,
    interval,
    join_words,
    number,
    percent,
    plain,
    requirement,
    setting,
    settings_line,
    spoken,
    with_unit,
)
from kit.study.description import Response, Study
from kit.window.printers import nozzle_place
from kit.window.relaxation import PASSES
from kit.window.result import Choice, Window

FORETOLD_ONLY = "Withdrawn: what follows is what the fit foretold before the confirming prints spoke against it."


def show_answer(analysis: Analysis) -> Group:
    """Show title, question, what stands in the way of an answer, and the answer itself."""
    study = analysis.study
    begin_drawing(lambda: _later_drawings(analysis))
    blocks: list[Block] = [Heading(study.title, 1)]
    if is_withdrawn(analysis):
        assert analysis.confirmation is not None
        return Group((*blocks, withdrawn(analysis), why(analysis.confirmation)))
    if study.question:
        blocks.append(Sentences((study.question,), tone="minor"))
    if analysis.interim:
        blocks.append(Sentences((_interim(analysis),), tone="notice"))
    blocks.append(_answer(analysis))
    window = analysis.window
    choice = _choice(window)
    if window is not None and choice is not None:
        warnings = _warnings(analysis, window)
        if warnings:
            blocks.append(Sentences(warnings, tone="notice", title="Before you act on it"))
        if any(r.name in choice.predictions and not r.passes_or_fails for r in study.responses):
            blocks.append(figure_block(draw_limits_strip(choice, study)))
    return Group(tuple(blocks))


def _later_drawings(analysis: Analysis) -> Iterator[Callable[[], Picture]]:
    """Give the pictures that the rest of the page wants."""
    yield from effect_drawings(analysis)
    yield from story_drawings(analysis)
    yield from measured_drawings(analysis)


def is_withdrawn(analysis: Analysis) -> bool:
    """Tell whether confirming prints have taken the answer back."""
    return analysis.confirmation is not None and analysis.confirmation.withdraws


def show_confidence(analysis: Analysis) -> Group:
    """Show for each requirement what one new part will do, and which requirement binds."""
    window, study = analysis.window, analysis.study
    choice = _choice(window)
    if window is None or choice is None:
        text = (
            "That can be said once every requirement has been measured."
            if window is None
            else "No requirement is stated, so there is no chance to be sure of."
        )
        return Group((Sentences((text,)),))
    rows = tuple(
        _requirement_row(r, choice)
        for r in (*study.responses, *(r for r in study.judged if r not in study.responses))
        if r.name in choice.predictions
    )
    caption = (
        "What one new part will do at these settings. The limits hold 95 of 100 new parts "
        "if the fitted surfaces are right."
    )
    columns = ("Response", "Required", "Expected", "95 of 100 new parts", "Chance to meet it")
    table = Table(columns, rows, caption, numeric=(2, 3, 4))
    sure = [
        *_sureness(window, choice, study),
        *middle_part_note(analysis.surfaces.values()),
    ]
    said: tuple[Block, ...] = (
        table,
        Sentences(tuple(sure)),
        *outcome_blocks(analysis, choice),
    )
    if is_withdrawn(analysis):
        said = (Sentences((FORETOLD_ONLY,), tone="notice"), *said)
    return Group(said)


def show_window(analysis: Analysis) -> Group:
    """Show the window: the box of ranges and the map of the chance to meet everything."""
    window, study = analysis.window, analysis.study
    if window is None:
        return Group((Sentences(("There is no map yet: see what is missing above.",)),))
    blocks: list[Block] = []
    if is_withdrawn(analysis):
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
                    f"The ranges are those at {spoken(factor.name)} {mine}; with {join_words(others)} some settings reach "
                    f"{percent(window.confidence)} too, but the ranges were not found for {them}."
                )


def _part(share: float) -> str:
    return "All of" if share == 1 else f"{percent(share)} of"


def _has_scale(study: Study) -> bool:
    return any(not f.is_category for f in study.factors)


def _choice(window: Window | None) -> Choice | None:
    return None if window is None else window.recommended or window.best_compromise


def _interim(analysis: Analysis) -> str:
    total = len(analysis.runs)
    waiting = [f"{spoken(name)}: {reason}" for name, reason in analysis.waiting.items() if reason]
    text = (
        f"Interim report: {analysis.printed} of {count(total, 'run')} printed so far. "
        "Everything below may still change."
    )
    return text + (" Still missing: " + "; ".join(waiting).rstrip(".") + "." if waiting else "")


def _prints(analysis: Analysis) -> str:
    """Say from how many prints; the levels of a stack are one print."""
    if analysis.study.design.family != HEIGHT_STACKED:
        return count(analysis.printed, "print")
    printed = analysis.runs[analysis.runs["status"] == "printed"]
    return f"{count(len(printed), 'level')} in {count(printed['block'].nunique(), 'stack')}"


def _place(study: Study) -> str:
    printer = f"the {study.printer.name}" if study.printer.name else "this printer"
    spool = study.material.name or study.material.polymer
    return f"On {printer}" + (f" with the {spool}" if spool else "")


def _answer(analysis: Analysis) -> Answer:
    window = analysis.window
    if window is None:
        reasons = "; ".join(f"{spoken(n)}: {why}" for n, why in analysis.waiting.items())
        reasons = reasons.rstrip(".")
        sentence = "No answer yet." + (f" What is missing: {reasons}." if reasons else "")
        return Answer(sentence, "Nothing is recommended so far.", reached=False)
    if window.recommended is not None:
        return _reached(analysis, window, window.recommended)
    return _not_reached(analysis, window)


def _reached(analysis: Analysis, window: Window, choice: Choice) -> Answer:
    study = analysis.study
    sentence = (
        f"{_place(study)}: {settings_line(study, choice.settings)}. "
        f"{_chance_sentence(study, choice)}, from {_prints(analysis)}."
    )
    return Answer(sentence, banner(analysis.confirmation), _facts(study, choice, window))


def _not_reached(analysis: Analysis, window: Window) -> Answer:
    study, choice = analysis.study, window.best_compromise
    goal = percent(window.confidence)
    if choice is None:
        sentence = f"{_place(study)}: no requirement is stated, so no settings are recommended."
        return Answer(sentence, "State lower, upper or target limits in study.toml.", reached=False)
    if math.isnan(choice.probability):
        sentence = (
            f"{_place(study)}: closest to the targets are {settings_line(study, choice.settings)}, from "
            f"{_prints(analysis)}. No lower or upper limit is stated, so there is no chance to give."
        )
        status = "State lower or upper limits in study.toml to learn how sure that is."
        return Answer(sentence, status, _facts(study, choice, window), reached=False)
    sentence = (
        f"{_place(study)}: no tried setting meets every requirement with {goal} chance. "
        f"The best compromise is {settings_line(study, choice.settings)}. "
        f"{_chance_sentence(study, choice)}, from {_prints(analysis)}."
    )
    status = "This is a compromise, not a recommendation."
    if choice.binding:
        name = study.response_named(choice.binding).title
        status += f" What stands in the way most: {name}."
    return Answer(sentence, status, _facts(study, choice, window), reached=False)


def _chance_sentence(study: Study, choice: Choice) -> str:
    wanted = [f"{r.title} {requirement(r)}" for r in study.judged]
    meets = "meets all of" if len(wanted) > 1 else "meets the requirement"
    where = ""
    if study.window.other_printers and nozzle_place(study) is not None:
        where = ", averaged over other printers,"
    return (
        f"Chance that one new part{where} {meets} ({'; '.join(wanted)}): {percent(choice.probability)} "
        f"(95 % interval {_percent_range(choice)})"
    )


def _percent_range(choice: Choice) -> str:
    """Give the interval of a chance; like the chance itself it never says 0 or 100 %."""
    low, high = percent(choice.low), percent(choice.high)
    if low == high:
        wholly = {"more than 99 %": "wholly above 99 %", "less than 1 %": "wholly below 1 %"}
        return wholly.get(low, f"{low} throughout")
    both_plain = low[0].isdigit() and high[0].isdigit()
    return f"{low.removesuffix(' %') if both_plain else low} to {high}"


def _facts(study: Study, choice: Choice, window: Window) -> tuple[tuple[str, str], ...]:
    facts = []
    for factor in study.factors:
        text = setting(factor, choice.settings[factor.name])
        ends = window.ranges.get(factor.name)
        if ends is not None and ends[0] != ends[1]:
            text += f" ({_ends(ends)})"
        facts.append((spoken(factor.name), text))
    return (
        tuple(facts)
        if math.isnan(choice.probability)
        else (*facts, ("chance to meet all", percent(choice.probability)))
    )


def _ends(ends: tuple[float | str, float | str]) -> str:
    return " to ".join(e if isinstance(e, str) else plain(e) for e in ends)


def _warnings(analysis: Analysis, window: Window) -> tuple[str, ...]:
    notes = list(window.notes)
    failed = analysis.runs[analysis.runs["status"] == "failed"]
    if len(failed):
        names = join_words([str(r) for r in failed["run"]])
        told = "the chance speaks of prints that come out"
        if analysis.study.window.failed_prints:
            told = "the chance counts a print that fails as not meeting the requirements"
        notes.append(
            f"{count(len(failed), 'print')} failed ({'run' if len(failed) == 1 else 'runs'} {names}); {told}."
        )
    for name, checks in analysis.checks.items():
        title = analysis.study.response_named(name).title
        notes += [
            f"{title}: {c.sentence}" for c in checks if c.changes_answer and c.passed is False
        ]
    notes += [*both_ways_notes(analysis), *success_notes(analysis)]
    return tuple(dict.fromkeys(notes))


def _requirement_row(response: Response, choice: Choice) -> tuple[str, ...]:
    foretold = choice.predictions[response.name]
    if response.passes_or_fails:
        met = percent(foretold.mean)
        return (response.title, requirement(response), "yes or no", "–", met)
    places = decimals_for(foretold.high - foretold.low)
    alone = choice.alone.get(response.name)
    return (
        response.title,
        requirement(response),
        with_unit(number(foretold.mean, places), response.unit),
        interval(foretold.low, foretold.high, response.unit, places),
        percent(alone) if alone is not None else "–",
    )


def _sureness(window: Window, choice: Choice, study: Study) -> list[str]:
    rough = (
        f"The chance of {percent(choice.probability)} is itself known only roughly; its 95 % interval: "
        f"{_percent_range(choice)}."
    )
    sentences = [] if math.isnan(choice.probability) else [rough]
    if choice.binding and len(study.judged) > 1:
        name = study.response_named(choice.binding).title
        best = (choice.without or {}).get(choice.binding)
        gain = f"; without it the best chance would be {percent(best)}" if best is not None else ""
        sentences.append(f"The requirement that costs most is {name}{gain}.")
    together = (
        "Responses were treated as going together (hot prints that are glossier are also wider, say), so the joint "
        "chance is not the product of the single ones."
    )
    apart = (
        "The joint chance is the product of the single ones, as if responses did not go together."
    )
    if len([r for r in study.judged if not r.passes_or_fails]) > 1:
        sentences.append(together if window.joint else apart)
    return sentences


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
        f"{percent(window.confidence)} chance."
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
        f"Limit that would give {percent(window.confidence)}",
        "Best chance without it",
    )
    return Table(
        columns, tuple(rows), "What giving way on one limit alone would buy.", numeric=(3,)
    )
