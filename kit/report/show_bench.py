"""What else the bench found: corrections of size, hole allowances, and the raters of visual scores."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from kit.analysis import Analysis
from kit.model.agreement import GOOD, POOR, Agreement
from kit.model.scores import Scores, chance_to_meet_score, study_scores
from kit.model.size_correction import (
    HoleAllowance,
    Limits,
    SizeCorrection,
    hole_allowances,
    size_corrections,
)
from kit.report.document import Block, Group, Heading, Sentences, Table
from kit.report.wording import decimals_for, interval, number, settings_line, spoken
from kit.saying import counted, percent
from kit.words import capital

AXES = {"x": "along X", "y": "along Y", "z": "in height (Z)", "wall": "of walls"}


def show_sizes(analysis: Analysis) -> Group:
    """Show how to correct sizes: scale and constant of each kind of size, and the allowance of each hole."""
    settings = _settings(analysis)
    corrections = size_corrections(analysis.data, analysis.measured, settings)
    holes = hole_allowances(analysis.data, analysis.measured, settings)
    if not corrections and not holes:
        return Group(())
    at = any(c.at_settings for c in corrections) or any(h.at_settings for h in holes)
    where = (
        f"At {settings_line(analysis.study, settings)}."
        if at and settings
        else "On average over all prints."
    )
    blocks: list[Block] = [Heading("How to make sizes come out right", 3), Sentences((where,))]
    blocks += [Sentences(tuple(_size_sentences(c))) for c in corrections]
    if holes:
        blocks.append(_hole_table(holes, analysis))
    doubt = max(
        (
            analysis.measured[n].u_correction
            for n in analysis.measured
            if analysis.study.response_named(n).recipe == "dimension"
        ),
        default=0.0,
    )
    texts = [
        "Correct flow and scale first, then holes. Print the corrected part again and measure it before believing any of this."
    ]
    if doubt > 0:
        texts.append(
            f"The instrument itself is sure to ±{number(2 * doubt, 3)} mm, which the intervals above do not hold."
        )
    return Group((*blocks, Sentences(tuple(texts), tone="minor")))


def show_scores(analysis: Analysis) -> Group:
    """Show how far raters agree, and the scores as ordered classes."""
    blocks: list[Block] = []
    for scores in study_scores(analysis.data):
        blocks.append(Heading(f"How sure is the judging? {capital(scores.response.title)}", 3))
        blocks.append(Sentences(tuple(_agreement_sentences(scores.raters))))
        blocks += _ordinal_blocks(scores, analysis)
    return Group(tuple(blocks))


def _settings(analysis: Analysis) -> Mapping[str, float | str] | None:
    window = analysis.window
    choice = window.choice if window else None
    return choice.settings if choice else None


def _size_sentences(found: SizeCorrection) -> list[str]:
    sizes = ", ".join(f"{n:g}" for n in sorted(found.nominals))
    title = AXES[found.feature]
    s, c, enter = found.scale, found.constant, found.enter_scale
    places = decimals_for(100 * (s.high - s.low))
    grown = "large" if s.value >= 0 else "small"
    text = (
        f"Sizes {title} ({sizes} mm) come out {number(abs(100 * s.value), places)} % too {grown} (95 % interval "
        f"{number(100 * s.low, places)} to {number(100 * s.high, places)} %), and besides that {_signed(c)} for every size."
    )
    sentences = [text]
    if s.low <= 0 <= s.high:
        sentences.append(f"The scale {title} may as well be right: leave it at 100 %.")
    else:
        sentences.append(
            f"To correct the scale, print at {number(100 * enter.value, places)} % {title} ({number(100 * enter.low, places)} to "
            f"{number(100 * enter.high, places)} %)."
        )
    if c.low <= 0 <= c.high:
        sentences.append("The constant may as well be zero: leave outlines as they are.")
    elif found.feature != "z":
        side = -c.value / 2
        sentences.append(
            f"To correct the constant, move every outer outline {'out' if side > 0 else 'in'} by {number(abs(side), 3)} mm a side: half of it on each of two sides."
        )
    else:
        sentences.append(
            "A constant in height usually is the first layer: set its distance to the bed, not the scale."
        )
    if found.bend is not None and found.bend > 0.02:
        sentences.append(
            f"The sizes lie {number(found.bend, 3)} mm (SD) off a straight line: one scale and one constant do not tell all."
        )
    return sentences


def _signed(c: Limits) -> str:
    size = "more" if c.value >= 0 else "less"
    return f"{number(abs(c.value), 3)} mm {size} (95 % interval {interval(c.low, c.high, 'mm', 3)})"


def _hole_table(holes: tuple[HoleAllowance, ...], analysis: Analysis) -> Table:
    rows = tuple(
        (
            f"{analysis.study.response_named(h.response).title}, {h.nominal:g} mm",
            f"{number(h.nominal - h.allowance.value, 2)} mm",
            f"{number(h.nominal + h.allowance.value, 2)} mm",
            interval(h.allowance.low, h.allowance.high, "mm", 3),
        )
        for h in holes
    )
    caption = "Holes by diameter: there is no one allowance for all of them."
    return Table(
        ("Hole", "comes out", "draw it at", "allowance, 95 % interval"),
        rows,
        caption,
        numeric=(1, 2, 3),
    )


def _agreement_sentences(found: Agreement | None) -> list[str]:
    if found is None:
        return [
            (
                "Every piece was judged by one person, so nobody knows whether another would see it the same way. Let two or three judge, each without "
                "knowing the settings or the others' scores."
            )
        ]
    text = (
        f"{found.raters} people judged {counted(found.pieces, 'piece')}: of all pairs of scores {percent(found.same)} are equal and "
        f"{percent(found.within_one)} at most one point apart"
    )
    if not np.isfinite(found.alpha):
        return [f"{text}. All scores are the same, so agreement beyond chance cannot be told."]
    if found.alpha >= GOOD:
        verdict = "the scores can be relied on"
    elif found.alpha >= POOR:
        verdict = "good enough for tentative conclusions"
    else:
        verdict = "too little to rely on; agree on pictures of each score and judge again"
    sentences = [
        f"{text}. Agreement beyond chance (Krippendorff's alpha, ordinal) is {number(found.alpha, 2)}: {verdict}."
    ]
    known = {who: off for who, off in found.means.items() if np.isfinite(off)}
    if known:
        strict = max(known, key=lambda w: abs(known[w]))
        if abs(known[strict]) >= 0.5:
            side = "higher" if known[strict] > 0 else "lower"
            sentences.append(
                f"{strict} scores {number(abs(known[strict]), 1)} points {side} than the others on average."
            )
    return sentences


def _ordinal_blocks(scores: Scores, analysis: Analysis) -> list[Block]:
    title = scores.response.title
    if scores.fit is None:
        return [
            Sentences(
                (
                    f"Scores as ordered classes: not fitted, since {scores.why_not} The mean scores are used as numbers.",
                ),
                tone="minor",
            )
        ]
    chance = None
    settings = _settings(analysis)
    if settings is not None:
        chance = chance_to_meet_score(scores, analysis.data, settings)
    table = scores.fit.table()
    rows = tuple(
        (
            spoken(row["term"].replace("=", " ")),
            f"×{np.exp(row['estimate']):.3g}",
            f"×{np.exp(row['low']):.2g} to ×{np.exp(row['high']):.2g}",
        )
        for row in table.to_dict("records")
    )
    caption = f"{capital(title)} as ordered classes: from the middle to the high end of a setting, the odds of a higher score are multiplied by"
    blocks: list[Block] = [
        Table(("Setting", "odds", "95 % interval"), rows, caption, numeric=(1, 2), folded=True)
    ]
    if chance is not None:
        blocks.insert(
            0,
            Sentences(
                (
                    (
                        f"Taken as ordered classes instead of numbers, {title} meets its requirement at the settings above with a chance of "
                        f"{percent(chance)} (median score of a print, cumulative logit model of the main effects)."
                    ),
                )
            ),
        )
    return blocks
