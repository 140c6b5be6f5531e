"""The page and the numbers of several studies pooled over printers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from kit.charts.picture import Picture
from kit.charts.pooled import draw_printers
from kit.charts.window import draw_chance_map
from kit.pool import PooledAnswer
from kit.report.document import Answer, Block, Document, Heading, Sentences, Table
from kit.report.figures import figure_block
from kit.report.small_print import caution_list
from kit.report.wording import decimals_for, interval, number, requirement, settings_line, spoken
from kit.saying import percent, stated_percent, with_unit

FEW_PRINTERS = 6

_HOW = (
    "Every study was condensed to its cross-products (sums of squares and products of settings and print means) in a coding that "
    "all share; one surface was fitted to all of them, with effects of each printer drawn from a normal distribution (restricted "
    "maximum likelihood, Patterson and Thompson 1971). The chance comes from a Student t for one new part on one new printer, "
    "degrees of freedom after Satterthwaite, and speaks of all requirements at once where the studies tell how they go together. Its limits "
    "come from 2,000 possible truths drawn with the study's seed, no standard deviation between printers being likelier beforehand than "
    "another (Gelman 2006)."
)


def pooled_numbers(answer: PooledAnswer) -> dict[str, Any]:
    """Give the contents of the pool's ``results.json``: full precision, the studies' units."""
    return {
        "schema": 1,
        "title": _title(answer),
        "printers": {p: {"prints": n} for p, n in answer.prints.items()},
        "models": {
            name: {
                "coefficients": [float(v) for v in fit.coefficients],
                "between_printers": {
                    str(c): float(v) for c, v in zip(fit.random, fit.components, strict=False)
                },
                "print_variance": float(fit.components[-1]),
                "sd_between_printers_at_answer": dict(
                    zip(
                        ("estimate", "low", "high"),
                        (answer.between[name], *answer.possible.between[name]),
                        strict=True,
                    )
                ),
                "df": answer.df[name],
            }
            for name, fit in answer.fits.items()
        },
        "recommended" if answer.reached else "best_compromise": {
            "settings": dict(answer.settings),
            "probability_on_a_new_printer": answer.probability,
            "probability_low": answer.possible.low,
            "probability_high": answer.possible.high,
            "printers_that_reach_the_confidence": answer.possible.reaching,
            "one_printer_in_ten_below": answer.possible.tenth,
            "predictions": {
                n: {"mean": p.mean, "low": p.low, "high": p.high}
                for n, p in answer.predictions.items()
            },
        },
        "window": {"confidence": answer.study.window.confidence, "share": answer.share},
        "joint": answer.joint,
    }


def _title(answer: PooledAnswer) -> str:
    what = answer.study.material.polymer or "One material"
    return f"{what} on {len(answer.printers)} printers"


def answer_sentence(answer: PooledAnswer) -> str:
    """Say the settings and the chance on a new printer."""
    best = settings_line(answer.study, answer.settings)
    chance = percent(answer.probability)
    asked = stated_percent(answer.study.window.confidence)
    if answer.reached:
        return f"On a printer that nobody has tried yet: {best}. Chance that one new part meets every requirement: {chance}."
    return (
        f"No settings reach {asked} on a printer that nobody has tried yet. The best: {best}, with a chance of {chance} "
        "that one new part meets every requirement."
    )


def pooled_document(answer: PooledAnswer, left_out: Mapping[str, str]) -> Document:
    """Build the page.

    Parameters
    ----------
    answer : PooledAnswer
        The pooled answer.
    left_out : mapping of study to str
        Studies that could not take part, and why.

    Returns
    -------
    Document
    """
    status = f"From {sum(answer.prints.values())} prints on {len(answer.printers)} printers; not confirmed on another one yet."
    blocks: list[Block] = [
        Answer(answer_sentence(answer), status, _facts(answer), reached=answer.reached),
        Heading("How sure is that?", 2),
        Sentences(_doubt(answer)),
        Heading("What a new printer would give", 2),
        _foretold(answer),
        figure_block(_chance_map(answer)),
        Heading("How far printers differ", 2),
        figure_block(draw_printers(answer)),
        _spread(answer),
        _shifts(answer),
        Heading("How it was done", 2),
        Sentences(
            (
                _HOW,
                *answer.notes,
            )
        ),
    ]
    if left_out:
        said = tuple(f"{n}: {text.splitlines()[0]}" for n, text in left_out.items())
        blocks.append(Sentences(said, tone="notice", title="Studies that were left out"))
    blocks += [Heading("Cautions and limits", 2), caution_list(answer.study)]
    return Document(_title(answer), tuple(blocks))


def _facts(answer: PooledAnswer) -> tuple[tuple[str, str], ...]:
    possible, asked = answer.possible, stated_percent(answer.study.window.confidence)
    return (
        ("Chance on a new printer", f"{percent(answer.probability)} (95 %: {percent(possible.low)} to {percent(possible.high)})"),
        (f"New printers that reach {asked}", percent(possible.reaching)),
        ("Printers it rests on", str(len(answer.printers))),
    )  # fmt: skip


def _doubt(answer: PooledAnswer) -> tuple[str, ...]:
    """Say how little some printers tell of all the others."""
    possible, n = answer.possible, len(answer.printers)
    asked = stated_percent(answer.study.window.confidence)
    said = [
        (
            f"{n} printers tell only so much of all the others: the chance on a new one is known to lie between "
            f"{percent(possible.low)} and {percent(possible.high)} (95 %)."
        )
    ]
    named = [r for r in answer.study.responses if r.has_limits]
    if named:
        widest = max(named, key=lambda r: possible.between[r.name][1] / answer.within[r.name])
        low, high = possible.between[widest.name]
        said.append(
            f"What is least known is how far printers differ, most of all in {widest.title}: by a standard deviation of anything from "
            f"{_amount(low, high, widest.unit)} (95 %). Each further printer narrows that; more prints on these printers hardly do."
        )
    said.append(
        f"A new printer is not an average: about {percent(possible.reaching)} of them would reach {asked} at these settings, and one in ten "
        f"would stay below {percent(possible.tenth)}. A few prints on yours tell which it is."
    )
    if n < FEW_PRINTERS:
        said.append(
            f"From {FEW_PRINTERS} printers on such an answer begins to be firm (common practice, no source); take this one as a start."
        )
    return tuple(said)


def _amount(low: float, high: float, unit: str) -> str:
    decimals = decimals_for(high - low)
    return f"{number(low, decimals)} to {with_unit(number(high, decimals), unit)}"


def _chance_map(answer: PooledAnswer) -> Picture:
    picture = draw_chance_map(answer.window, answer.study)
    caption = "Chance that one new part on a printer that nobody has tried meets what is required, over the settings that three studies tried."
    return replace(picture, name="chance-new-printer", caption=caption)


def _foretold(answer: PooledAnswer) -> Table:
    rows = []
    for response in answer.study.responses:
        p = answer.predictions[response.name]
        chance = percent(answer.alone[response.name]) if response.name in answer.alone else "–"
        rows.append((
            spoken(response.name), requirement(response) if response.has_limits else "–",
            with_unit(number(p.mean, decimals_for(p.high - p.low)), response.unit),
            interval(p.low, p.high, response.unit), chance,
        ))  # fmt: skip
    columns = ("Response", "Required", "Expected", "95 % of new parts", "Chance")
    return Table(
        columns,
        tuple(rows),
        "One new part on a printer that nobody has tried, at these settings.",
        numeric=(2, 3, 4),
    )


def _spread(answer: PooledAnswer) -> Table:
    rows = []
    for response in answer.study.responses:
        between, within = answer.between[response.name], answer.within[response.name]
        decimals = decimals_for(2 * max(between, within))
        rows.append((
            spoken(response.name), with_unit(number(between, decimals), response.unit),
            _amount(*answer.possible.between[response.name], response.unit),
            with_unit(number(within, decimals), response.unit), number(answer.df[response.name], 1),
        ))  # fmt: skip
    columns = (
        "Response",
        "Between printers",
        "95 % limits of that",
        "Between parts of one printer",
        "Degrees of freedom",
    )
    caption = (
        "Scatter at these settings, as standard deviations; and the degrees of freedom of what is foretold: the fewer printers and the "
        "more they differ, the fewer."
    )
    return Table(columns, tuple(rows), caption, numeric=(1, 2, 3, 4))


def _shifts(answer: PooledAnswer) -> Table:
    responses = answer.study.responses
    rows = []
    for i, printer in enumerate(answer.printers):
        cells = []
        for r in responses:
            decimals = decimals_for(2 * max(answer.between[r.name], answer.within[r.name]))
            cells.append(with_unit(number(float(answer.shifts[r.name][i]), decimals), r.unit))
        rows.append((printer, str(answer.prints[printer]), *cells))
    columns = ("Printer", "Prints", *(spoken(r.name) for r in responses))
    caption = "How far each printer lies from the average one at these settings, drawn towards 0 by as much as it is uncertain."
    return Table(columns, tuple(rows), caption, numeric=tuple(range(1, len(columns))))
