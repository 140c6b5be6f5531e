"""The first part of a surface report: the answer, and what to know before acting on it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

from kit.analysis import Analysis
from kit.charts.picture import Picture
from kit.charts.window import draw_limits_strip
from kit.design.height_stacked import HEIGHT_STACKED
from kit.report.document import Answer, Block, Group, Heading, Sentences
from kit.report.figures import begin_drawing, figure_block
from kit.report.show_both_ways import both_ways_notes
from kit.report.show_confirm import banner, why, withdrawn
from kit.report.show_data import measured_drawings
from kit.report.show_models import effect_drawings, story_drawings
from kit.report.show_success import success_notes
from kit.report.wording import (
    percent_range,
    plain,
    requirement,
    setting,
    settings_line,
    spoken,
)
from kit.saying import counted, listed, percent, stated_percent
from kit.study.description import Study
from kit.window.printers import nozzle_place
from kit.window.result import Choice, Window


def show_answer(analysis: Analysis) -> Group:
    """Show title, question, what stands in the way of an answer, and the answer itself."""
    study = analysis.study
    begin_drawing(lambda: _later_drawings(analysis))
    blocks: list[Block] = [Heading(study.title, 1)]
    if analysis.withdrawn:
        assert analysis.confirmation is not None
        return Group((*blocks, withdrawn(analysis), why(analysis.confirmation)))
    if study.question:
        blocks.append(Sentences((study.question,), tone="minor"))
    if analysis.interim:
        blocks.append(Sentences((_interim(analysis),), tone="notice"))
    blocks.append(_answer(analysis))
    window, choice = analysis.window, analysis.choice
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


def _interim(analysis: Analysis) -> str:
    total = len(analysis.runs)
    waiting = [f"{spoken(name)}: {reason}" for name, reason in analysis.waiting.items() if reason]
    text = (
        f"Interim report: {analysis.printed} of {counted(total, 'run')} printed so far. "
        "Everything below may still change."
    )
    return text + (" Still missing: " + "; ".join(waiting).rstrip(".") + "." if waiting else "")


def _prints(analysis: Analysis) -> str:
    """Say from how many prints; the levels of a stack are one print."""
    if analysis.study.design.family != HEIGHT_STACKED:
        return counted(analysis.printed, "print")
    printed = analysis.runs[analysis.runs["status"] == "printed"]
    return f"{counted(len(printed), 'level')} in {counted(printed['block'].nunique(), 'stack')}"


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
    goal = stated_percent(window.confidence)
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
        f"(95 % interval {percent_range(choice.low, choice.high)})"
    )


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
    notes += _failed_prints(analysis)
    for name, checks in analysis.checks.items():
        title = analysis.study.response_named(name).title
        notes += [
            f"{title}: {c.sentence}" for c in checks if c.changes_answer and c.passed is False
        ]
    notes += both_ways_notes(analysis)
    return tuple(dict.fromkeys(notes))


def _failed_prints(analysis: Analysis) -> list[str]:
    failed = analysis.runs[analysis.runs["status"] == "failed"]
    if failed.empty:
        return []
    names = listed([str(r) for r in failed["run"]])
    text = (
        f"{counted(len(failed), 'print')} failed ({'run' if len(failed) == 1 else 'runs'} {names})"
    )
    told = success_notes(analysis)
    if told:
        return [" ".join([f"{text}.", *told])]
    if analysis.study.window.failed_prints:
        return [f"{text}; the chance counts a print that fails as not meeting the requirements."]
    return [f"{text}; the chance speaks of prints that come out."]
