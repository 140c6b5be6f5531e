"""The gauge study's page: how good the measuring is, in the reader's unit, and what to do about it."""

from __future__ import annotations

from collections.abc import Mapping
from math import ceil, sqrt
from typing import Any

import numpy as np

from kit.bench.cautions import cautions_for
from kit.charts.gauge import component_rows, draw_gauge_components, draw_gauge_strips
from kit.model.gauge import SMALL_ADDITION
from kit.model.gauge_result import Component, Gauge
from kit.report.document import (
    Answer,
    Block,
    Group,
    Heading,
    Results,
    Sentences,
    Table,
)
from kit.report.figures import figure_block
from kit.report.gauge_study import FROM_FIT, GaugeStudy, gauge_results
from kit.report.show_references import bias_sentence
from kit.report.small_print import caution_list, provenance_blocks
from kit.report.wording import decimals_for, interval, number
from kit.saying import counted, listed, with_unit
from kit.words import capital

GOOD, USABLE = 0.10, 0.30
"""Shares of the requirement's width; common practice, no source."""
GUARD = 1.645
"""One-sided 95 % of the normal distribution, for a reading near a limit (JCGM 106)."""


def show_gauge_answer(study: GaugeStudy) -> Group:
    """Show title and answer: how much one reading scatters, and how often to read."""
    blocks: list[Block] = [Heading(f"How good is our measuring? {study.data.study.title}", 1)]
    sentences = [_reading_sentence(study, q) for q in study.gauges]
    sentences += [bias_sentence(b) for b in study.biases.values()]
    facts = tuple(
        (
            f"one reading of {study.title(q)}",
            _sd(study.gauges[q].measuring_sd, study.read(q).unit, "SD "),
        )
        for q in study.gauges
    )
    shares = [s for q in study.gauges if (s := study.share(q)) is not None]
    usable = all(s <= USABLE for s in shares)
    blocks.append(Answer(sentences[0], _status(study), facts, reached=usable))
    if sentences[1:]:
        blocks.append(Sentences(tuple(sentences[1:])))
    if study.failures:
        blocks.append(
            Sentences(study.failures, tone="notice", title="What could not be worked out")
        )
    return Group(tuple(blocks))


def show_gauge_readings(study: GaugeStudy) -> Group:
    """Show every reading, one strip a part, with what does not fit the rest."""
    blocks: list[Block] = []
    for quantity, gauge in study.gauges.items():
        unit = study.read(quantity).unit
        blocks.append(
            figure_block(
                draw_gauge_strips(study.readings(quantity), gauge, study.title(quantity), unit)
            )
        )
        if gauge.checks:
            blocks.append(Sentences(gauge.checks, tone="notice"))
        blocks += _left_out(study, quantity)
    return Group(tuple(blocks))


def show_gauge_components(study: GaugeStudy) -> Group:
    """Show where the scatter comes from, beside the requirement, and what could not be separated."""
    blocks: list[Block] = []
    for quantity, gauge in study.gauges.items():
        unit, title = study.read(quantity).unit, study.title(quantity)
        share = study.share(quantity)
        said = "" if share is None else f"(six SDs of measuring: {_share_words(share)} of it)"
        picture = draw_gauge_components(gauge, title, unit, study.width(quantity), said)
        blocks += [figure_block(picture), Sentences(tuple(_component_sentences(study, quantity)))]
        if gauge.notes:
            blocks.append(Sentences(gauge.notes, tone="notice"))
        blocks.append(_component_table(gauge, title, unit))
    return Group(tuple(blocks))


def show_gauge_repeats(study: GaugeStudy) -> Group:
    """Say how many repeat readings are needed, and what they cannot mend."""
    blocks: list[Block] = []
    for quantity, gauge in study.gauges.items():
        unit, title = study.read(quantity).unit, study.title(quantity)
        run = study.runs.get(quantity)
        if run is None:
            blocks.append(_repeats_table(gauge, title, unit))
            continue
        n = study.repeats(quantity) or 1
        where = f"{run.source}, {_sd(run.sd, unit, 'an SD of ')}"
        text = (
            f"{capital(title)}: prints at the same settings scatter ({where}). With {counted(n, 'reading')} a piece, repeat readings add "
            f"less than a tenth to that; with one they would add {_added(gauge.repeat_sd, run.sd)}."
        )
        if run.source == FROM_FIT and run.sd < gauge.repeat_sd:
            text += " The prints scatter less than single readings do, so their own scatter is known badly."
        blocks.append(Sentences((text,)))
    blocks.append(
        Sentences(
            (
                (
                    "Reading again averages out repeatability only. What differs between operators, and what the instrument shows too much "
                    "or too little, stays however often one reads: let one person measure a whole study, or share every run out evenly, "
                    "and check the instrument against references."
                ),
            ),
            tone="minor",
        )
    )
    return Group(tuple(blocks))


def show_gauge_cautions(study: GaugeStudy) -> Group:
    """Show the cautions that apply to measuring, and what the results are not for."""
    cautions = [
        c for c in cautions_for(study.data.study) if {"measuring", "strength"} & set(c.where)
    ]
    return Group((caution_list(study.data.study, cautions),))


def show_gauge_provenance(study: GaugeStudy, parameters: Mapping[str, Any] | None = None) -> Group:
    """Show versions, seed and the digests of the files that the page was made from."""
    return provenance_blocks(study.data.study, study.data.digests, parameters)


def gauge_numbers(study: GaugeStudy, parameters: Mapping[str, Any] | None = None) -> Results:
    """Carry the numbers of the gauge study's ``results.json`` out of the notebook."""
    return Results(gauge_results(study, parameters))


def _reading_sentence(study: GaugeStudy, quantity: str) -> str:
    gauge, unit = study.gauges[quantity], study.read(quantity).unit
    n = study.repeats(quantity)
    text = f"One reading of {study.title(quantity)} is good to ±{_amount(2 * gauge.measuring_sd, unit)} (two SDs of the measuring)"
    if gauge.components["reproducibility"] is None:
        text += ", other operators not included"
    if n is None:
        return f"{text}."
    if n == 1:
        return f"{text}; one reading a piece is enough."
    return f"{text}; take {n} readings a piece."


def _status(study: GaugeStudy) -> str:
    shares = [(q, s) for q in study.gauges if (s := study.share(q)) is not None]
    if not shares:
        return "No requirement with two limits to compare it with."
    quantity, worst = max(shares, key=lambda pair: pair[1])
    return f"Six SDs of the measuring are {_share_words(worst)} of the width of the requirement on {study.title(quantity)}: {_verdict(worst)}."


def _verdict(share: float) -> str:
    if share <= GOOD:
        return "good enough for any use"
    if share <= USABLE:
        return "usable, with care near the limits"
    return "too coarse to tell good parts from bad ones singly; average readings or find a better instrument"


def _share_words(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.01 else "less than 1 %"


def _component_sentences(study: GaugeStudy, quantity: str) -> list[str]:
    gauge, unit, title = study.gauges[quantity], study.read(quantity).unit, study.title(quantity)
    sentences = []
    share = study.share(quantity)
    if share is not None:
        sentences.append(
            f"Six SDs of the measuring are {_share_words(share)} of the width of the requirement: {_verdict(share)} "
            "(up to 10 % and up to 30 % are common practice, no source)."
        )
    response = study.response(quantity)
    if (
        response.has_limits
        and study.width(quantity) is None
        and study.read(quantity).part == "value"
    ):
        sentences.append(
            "The requirement has one limit only, so it has no width to compare the measuring with."
        )
    if response.has_limits:
        sentences.append(
            f"A single reading within {_amount(GUARD * gauge.measuring_sd, unit)} of a limit leaves open on which side of it the piece "
            "lies (95 %, one-sided)."
        )
    negative = [words for words, c in component_rows(gauge) if c is not None and c.raw < 0]
    if negative:
        sentences.append(
            f"{capital(listed([w.lower() for w in negative]))}: computed below zero, as chance can do, and counted as zero; the interval "
            "says how large it may be all the same."
        )
    if gauge.repeatability.sd < gauge.step_floor:
        sentences.append(
            f"Repeat readings of {title} scatter less than the display's step of {_amount(gauge.step, unit)} can show, so the rounding's own "
            f"SD, {_amount(gauge.step_floor, unit)}, counts in its place."
        )
    return sentences or [
        f"{counted(gauge.readings, 'reading')} of {counted(gauge.parts, 'part')} by {counted(gauge.operators, 'operator')}."
    ]


def _component_table(gauge: Gauge, title: str, unit: str) -> Table:
    reml = dict(gauge.reml)
    if reml:
        reml["reproducibility"] = sum(reml.get(k, 0.0) for k in ("operator", "interaction"))
        reml["measuring"] = reml["repeatability"] + reml["reproducibility"]
    keys = ["repeatability", "reproducibility"]
    keys += ["interaction"] if gauge.components["interaction"] is not None else []
    keys += ["measuring", "part"]
    rows = tuple(
        (
            words,
            *_component_cells(found, unit),
            _sd(sqrt(reml[key]), unit) if key in reml and found else "–",
        )
        for key, (words, found) in zip(keys, component_rows(gauge), strict=True)
    )
    way = "mean squares" if gauge.strata else "restricted maximum likelihood"
    caption = f"{capital(title)}: standard deviations by {way}; beside them by restricted maximum likelihood"
    columns = ("Scatter from", "SD", f"{100 * gauge.confidence:.0f} % interval", "Likelihood")
    return Table(columns, rows, caption, numeric=(1, 2, 3), folded=True)


def _component_cells(found: Component | None, unit: str) -> tuple[str, str]:
    if found is None:
        return "not estimable", "–"
    places = decimals_for(found.sd or found.sd_high)
    if not np.isfinite(found.sd_high):
        return _sd(found.sd, unit), "–"
    return with_unit(number(found.sd, places), unit), interval(
        found.sd_low, found.sd_high, unit, places
    )


def _repeats_table(gauge: Gauge, title: str, unit: str) -> Table:
    rows = []
    for share in (0.5, 1.0, 2.0):
        run = gauge.repeat_sd * share
        rows.append(
            (_sd(run, unit), counted(max(1, ceil(1 / (SMALL_ADDITION * share**2))), "reading"))
        )
    caption = (
        f"{capital(title)}: readings a piece, so that repeat readings add less than a tenth to the scatter between prints. That is not "
        "known yet, or too small to be told from the measuring; look up the line that fits."
    )
    return Table(
        ("If prints at the same settings scatter with an SD of", "take"),
        tuple(rows),
        caption,
        numeric=(0, 1),
    )


def _left_out(study: GaugeStudy, quantity: str) -> list[Block]:
    gauge = study.data.gauge
    assert gauge is not None
    gone = gauge[(gauge["quantity"] == quantity) & (gauge["excluded"] != "")]
    items = tuple(
        f"Part {r['part']}, row {r['row']}: {_amount(r['value'], r['unit'])} is left out: {r['excluded']}."
        for r in gone.to_dict("records")
    )
    return [Sentences(items, tone="minor")] if items else []


def _added(repeat: float, run: float) -> str:
    return f"{100 * (sqrt(1 + (repeat / run) ** 2) - 1):.0f} %"


def _amount(value: float, unit: str) -> str:
    size = abs(value)
    return with_unit(number(value, decimals_for(size) if size < 1000 else 0), unit)


def _sd(sd: float, unit: str, before: str = "") -> str:
    return before + with_unit(number(sd, decimals_for(sd)), unit)
