"""How sure the answer is: each requirement by itself, how well the chance is known, and what binds."""

from __future__ import annotations

import math

from kit.analysis import Analysis
from kit.model.scale_words import middle_part_note
from kit.report.document import Block, Group, Sentences, Table
from kit.report.show_confirm import FORETOLD_ONLY
from kit.report.show_outcomes import outcome_blocks
from kit.report.wording import decimals_for, interval, number, percent_range, requirement
from kit.saying import percent, with_unit
from kit.study.description import Response, Study
from kit.window.result import Choice, Window


def show_confidence(analysis: Analysis) -> Group:
    """Show for each requirement what one new part will do, and which requirement binds."""
    window, study = analysis.window, analysis.study
    choice = analysis.choice
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
    if analysis.withdrawn:
        said = (Sentences((FORETOLD_ONLY,), tone="notice"), *said)
    return Group(said)


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
    sentences = [] if math.isnan(choice.probability) else [_known_roughly(choice)]
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


def _known_roughly(choice: Choice) -> str:
    chance, between = percent(choice.probability), percent_range(choice.low, choice.high)
    if between.startswith("wholly"):
        return f"The chance of {chance} is well known: its 95 % interval lies {between}."
    return f"The chance of {chance} is itself known only roughly; its 95 % interval: {between}."
