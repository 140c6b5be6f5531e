"""The screening's page: which settings matter, what they cannot be told from, what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

from kit.charts.screening import draw_half_normal, draw_screening, effect_words
from kit.model.screening import CLEAR, LOOK, QUIET, Screening
from kit.model.selection_words import chosen_caution
from kit.report.document import (
    Answer,
    Block,
    Group,
    Heading,
    Results,
    Sentences,
    Table,
)
from kit.report.figures import figure_blocks
from kit.report.screening import ScreeningStudy, screening_results
from kit.report.show_special import special_blocks
from kit.report.small_print import caution_list, provenance_blocks
from kit.report.wording import decimals_for, interval, number, spoken
from kit.saying import counted, listed, with_unit
from kit.study.description import Response
from kit.words import capital


def show_screening_answer(study: ScreeningStudy) -> Group:
    """Show title, question and the answer: which settings matter for which response."""
    blocks: list[Block] = [Heading(study.study.title, 1)]
    if study.study.question:
        blocks.append(Sentences((study.study.question,), tone="minor"))
    sentences = [_answer(found, study.response(n)) for n, found in study.screenings.items()]
    quiet = _never(study)
    facts = tuple(
        (f"largest effect on {study.response(n).title}", _largest(found, study.response(n)))
        for n, found in study.screenings.items()
    )
    status = "A first look, judged without repeats: print a surface study of the settings that matter before you rely on it."
    blocks.append(Answer(sentences[0], status, facts))
    rest = list(sentences[1:])
    if quiet:
        rest.append(
            f"{capital(listed(quiet))} {'does' if len(quiet) == 1 else 'do'} nothing that rises above the scatter in any response; set what is cheap "
            "and safe. That is no proof of no effect: smaller ones stay unseen."
        )
    if rest:
        blocks.append(Sentences(tuple(rest)))
    told = [n for f in study.screenings.values() for n in f.notes]
    told += [n for surface in study.selected.values() for n in chosen_caution(surface)]
    notes = tuple(dict.fromkeys(told))
    if notes:
        blocks.append(Sentences(notes, tone="notice", title="Before you act on it"))
    if study.failures:
        blocks.append(Sentences(study.failures, tone="notice", title="What could not be judged"))
    return Group(tuple(blocks))


def show_screening_effects(study: ScreeningStudy) -> Group:
    """Show what each setting does from low to high, beside the margin of chance."""
    drawings = [partial(draw_screening, f, study.response(n)) for n, f in study.screenings.items()]
    blocks: list[Block] = []
    for (name, found), picture in zip(
        study.screenings.items(), figure_blocks(drawings), strict=True
    ):
        response = study.response(name)
        blocks += [picture, _effects_table(found, response)]
        if found.curvature is not None:
            blocks.append(Sentences((_curvature(found.curvature, response),)))
        if name in study.selected:
            blocks += special_blocks(study.selected[name])
    return Group(tuple(blocks))


def show_screening_sizes(study: ScreeningStudy) -> Group:
    """Show all effects by size against what chance alone would give."""
    drawings = [
        partial(draw_half_normal, f, study.response(n)) for n, f in study.screenings.items()
    ]
    return Group(tuple(figure_blocks(drawings)))


def show_mixed_up(study: ScreeningStudy) -> Group:
    """Show what cannot be told from what, by the settings' names."""
    found = next(iter(study.screenings.values()))
    rows = tuple(
        (
            effect_words(row["effect"]),
            ", ".join(effect_words(m) for m in row["mixed_with"].split(", ")),
        )
        for row in found.effects.to_dict("records")
        if row["mixed_with"]
    )
    if not rows:
        text = "No single or joint effect of two settings is mixed up with another of up to three."
        return Group((Sentences((text,)),))
    caption = "What these prints cannot tell apart; joint effects of more than three settings are left out."
    return Group((Table(("Shown as", "May as well be"), rows, caption),))


def show_screening_cautions(study: ScreeningStudy) -> Group:
    """Show the cautions that apply, and what the results are not for."""
    return Group((caution_list(study.study),))


def show_screening_provenance(
    study: ScreeningStudy, parameters: Mapping[str, Any] | None = None
) -> Group:
    """Show versions, seed and the digests of the files that the page was made from."""
    return provenance_blocks(study.study, study.data.digests, parameters)


def screening_numbers(
    study: ScreeningStudy, parameters: Mapping[str, Any] | None = None
) -> Results:
    """Carry the numbers of the screening's ``results.json`` out of the notebook."""
    return Results(screening_results(study, parameters))


def _answer(found: Screening, response: Response) -> str:
    table = found.effects
    parts = []
    for verdict, word in ((CLEAR, ""), (LOOK, "worth a look: ")):
        mine = table[table["verdict"] == verdict]
        words = [
            f"{effect_words(r['effect']).lower()} ({_size(r['estimate'], found, response, sign=True)})"
            for r in mine.to_dict("records")
        ]
        if words:
            parts.append(f"{word}{listed(words)}")
    title = response.title[:1].upper() + response.title[1:]
    if not parts:
        return f"{title}: no effect rises above the scatter, which hides effects up to {_size(found.lenth.margin, found, response)}."
    return f"{title} is moved from low to high by {'; '.join(parts)}."


def _size(value: float, found: Screening, response: Response, *, sign: bool = False) -> str:
    text = number(value, decimals_for(2 * found.lenth.margin))
    return with_unit(f"+{text}" if sign and value > 0 else text, response.unit)


def _largest(found: Screening, response: Response) -> str:
    row = found.effects.iloc[int(found.effects["estimate"].abs().to_numpy().argmax())]
    return f"{effect_words(str(row['effect']))}: {_size(float(row['estimate']), found, response, sign=True)}"


def _never(study: ScreeningStudy) -> list[str]:
    """Name the settings that stand out in no response, alone or jointly."""
    loud: set[str] = set()
    for found in study.screenings.values():
        for effect in found.effects.loc[found.effects["verdict"] != QUIET, "effect"]:
            loud.update(part.removesuffix("^2") for part in str(effect).split(":"))
    return [spoken(f.name) for f in study.study.factors if f.name not in loud]


def _effects_table(found: Screening, response: Response) -> Table:
    places = decimals_for(2 * found.lenth.margin)
    rows = tuple(
        (
            effect_words(r["effect"]),
            with_unit(number(r["estimate"], places), response.unit),
            interval(r["low"], r["high"], "", places),
            r["verdict"],
        )
        for r in found.effects.to_dict("records")
    )
    joint = _size(found.lenth.joint_margin, found, response)
    caption = (
        f"All {counted(len(rows), 'effect')} on {response.title}, from low to high. One effect by itself passes "
        f"{_size(found.lenth.margin, found, response)} by chance in 5 of 100 studies at most, the largest of all {joint}"
    )
    return Table(
        ("Effect", "From low to high", "95 % interval", "In words"),
        rows,
        caption,
        numeric=(1, 2),
        folded=True,
    )


def _curvature(found: tuple[float, float, float], response: Response) -> str:
    estimate, low, high = found
    places = decimals_for(high - low)
    size = with_unit(number(estimate, places), response.unit)
    said = f"Prints in the middle lie {size} ({interval(low, high, '', places)}) from the mean of the corners"
    if low <= 0 <= high:
        return f"{said}: no bend shows, as far as these prints can tell."
    return f"{said}: {response.title} bends between low and high. A surface study will show where."
