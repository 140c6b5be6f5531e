"""The comparison's page: what differs and whether it matters, the margin stated first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kit.charts.compare import draw_differences, draw_levels
from kit.model.checks import check_surface
from kit.model.compare import Comparison
from kit.model.equivalence import largest_shown
from kit.model.pairs import DIFFERS, MORE, OPEN
from kit.report.compare_words import VERDICTS, answer_sentence, any_difference, capital
from kit.report.comparison import CompareStudy, Needed, compare_results, needed_prints
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
from kit.report.small_print import caution_list, provenance_blocks
from kit.report.wording import decimals_for, interval, number, plain, spoken
from kit.saying import counted, listed, with_unit
from kit.study.description import Response


def show_compare_answer(study: CompareStudy) -> Group:
    """Show title, question and the answer: one sentence a category and response."""
    blocks: list[Block] = [Heading(study.study.title, 1)]
    if study.study.question:
        blocks.append(Sentences((study.study.question,), tone="minor"))
    sentences = [
        answer_sentence(found, study.response(name), factor)
        for (factor, name), found in study.comparisons.items()
    ]
    undecided = [
        p for c in study.comparisons.values() for p in c.pairs if p.verdict in (DIFFERS, OPEN)
    ]
    blocks.append(
        Answer(sentences[0], _status(study, len(undecided)), _facts(study), reached=not undecided)
    )
    if sentences[1:]:
        blocks.append(Sentences(tuple(sentences[1:])))
    warnings = dict.fromkeys(n for c in study.comparisons.values() for n in c.notes if "speak" in n)
    if warnings:
        blocks.append(Sentences(tuple(warnings), tone="notice", title="What it speaks of"))
    if study.failures:
        blocks.append(Sentences(study.failures, tone="notice", title="What could not be compared"))
    return Group(tuple(blocks))


def show_margins(study: CompareStudy) -> Group:
    """Show the largest differences that do not matter, as stated before anything is compared."""
    responses = [study.response(n) for n in dict.fromkeys(n for _, n in study.comparisons)]
    rows = tuple(
        (r.title, "–" if r.margin is None else with_unit(plain(r.margin), r.unit))
        for r in responses
    )
    table = Table(
        ("Response", "Largest difference that does not matter"),
        rows,
        "The margins as study.toml states them.",
        numeric=(1,),
    )
    blocks: list[Block] = [table]
    without = [r.title for r in responses if r.margin is None]
    if without:
        text = (
            f"No margin is stated for {listed(without)}: differences are shown, but nothing can be said to be small. "
            "Write margin = ... under [[response]], by what matters for the part and before you look at the readings."
        )
        blocks.append(Sentences((text,), tone="notice"))
    text = (
        "A margin chosen after looking at the readings proves nothing; the digest of study.toml below dates it to the "
        "version of the file that was used."
    )
    return Group((*blocks, Sentences((text,), tone="minor")))


def show_differences(study: CompareStudy) -> Group:
    """Show every difference with its intervals beside the margin, and the prints behind it."""
    blocks: list[Block] = []
    for factor in study.factors:
        blocks.append(Heading(capital(spoken(factor)), 3))
        for name, found in study.of_factor(factor).items():
            response = study.response(name)
            blocks.append(figure_block(draw_differences(found, response)))
            blocks.append(_pairs_table(found, response))
            blocks.append(Sentences((any_difference(found, response, factor),)))
    return Group(tuple(blocks))


def show_levels(study: CompareStudy) -> Group:
    """Show every print by level, and where the scatter comes from."""
    blocks: list[Block] = []
    for (factor, name), found in study.comparisons.items():
        runs = study.data.runs
        prints = runs.merge(study.measured[name].prints[["run", "value"]], on="run")
        prints = prints[(prints["status"] == "printed") & (prints["round"] != "confirmation")]
        prints = prints.rename(columns={factor: "level"})
        blocks.append(
            figure_block(draw_levels(found, prints[["level", "value"]], study.response(name)))
        )
    blocks.append(_scatter_table(study))
    return Group(tuple(blocks))


def show_compare_checks(study: CompareStudy) -> Group:
    """Show what was assumed and checked."""
    blocks: list[Block] = []
    for name in dict.fromkeys(n for _, n in study.comparisons):
        found = [c for (_, n), c in study.comparisons.items() if n == name]
        blocks.append(Heading(capital(study.response(name).title), 3))
        surface = next((c.surface for c in found if c.surface is not None), None)
        if surface is not None:
            asked = [c for c in check_surface(surface) if c.name not in ("fit", "lack_of_fit")]
            worrying = tuple(c.sentence for c in asked if c.passed is False)
            if worrying:
                blocks.append(Sentences(worrying, tone="notice"))
            calm = tuple(c.sentence for c in asked if c.passed is not False)
            blocks.append(
                Sentences(
                    calm,
                    folded=True,
                    title=f"What else was checked, and found calm ({counted(len(calm), 'check')})",
                )
            )
        notes = tuple(dict.fromkeys(n for c in found for n in c.notes))
        if notes:
            blocks.append(Sentences(notes, tone="minor"))
    return Group(tuple(blocks))


def show_prints_needed(study: CompareStudy) -> Group:
    """Show how many prints would show that nothing differs by more than the margin."""
    rows = []
    for (factor, name), found in study.comparisons.items():
        needed = needed_prints(found)
        if found.margin is None or needed is None:
            continue
        response = study.response(name)
        clear = any(p.verdict == MORE for p in found.pairs)
        shown = largest_shown([p.equivalence for p in found.pairs if p.equivalence is not None])
        rows.append(
            (
                spoken(factor),
                response.title,
                with_unit(plain(found.margin), response.unit),
                _now_words(found),
                _needed_words(needed),
                "–" if clear else with_unit(number(shown, decimals_for(found.sd)), response.unit),
            )
        )
    if not rows:
        return Group((Sentences(("Without a margin nobody can say how many prints are enough.",)),))
    columns = (
        "Compared",
        "Response",
        "Margin",
        "A level now",
        "A level needed",
        "Margin these prints would show",
    )
    caption = (
        "What would show all differences to be smaller than the margin in 4 of 5 studies, if nothing differs in truth; a dash where "
        "a difference beyond the margin is clear already."
    )
    blocks: list[Block] = [Table(columns, tuple(rows), caption, numeric=(2, 3, 4, 5))]
    groups = dict.fromkeys(g for c in study.comparisons.values() for g in c.group_sds)
    if groups:
        text = (
            f"What two {listed([spoken(g) + 's' for g in groups])} differ by is not averaged out by more prints of the same ones: "
            "take more of them, with one or two prints each."
        )
        blocks.append(Sentences((text,), tone="minor"))
    return Group(tuple(blocks))


def _now_words(found: Comparison) -> str:
    each = sorted(set(found.levels["prints"].astype(int)))
    text = str(each[0]) if len(each) == 1 else f"{each[0]} to {each[-1]}"
    prints = f"{text} {'print' if each == [1] else 'prints'}"
    if not found.nested:
        return prints
    groups = round(sum(found.levels["prints"]) / found.prints_per_group / len(found.levels))
    return f"{counted(groups, spoken(found.nested))}, {prints}"


def _needed_words(needed: Needed) -> str:
    if needed.number is None:
        return f"more than 1000 {spoken(needed.what)}s"
    text = counted(needed.number, spoken(needed.what))
    return text if needed.what == "print" else f"{text} of {counted(round(needed.each), 'print')}"


def show_compare_cautions(study: CompareStudy) -> Group:
    """Show the cautions that apply, and what the results are not for."""
    return Group((caution_list(study.study),))


def show_compare_provenance(
    study: CompareStudy, parameters: Mapping[str, Any] | None = None
) -> Group:
    """Show versions, seed and the digests of the files that the page was made from."""
    return provenance_blocks(study.study, study.data.digests, parameters)


def compare_numbers(study: CompareStudy, parameters: Mapping[str, Any] | None = None) -> Results:
    """Carry the numbers of the comparison's ``results.json`` out of the notebook."""
    return Results(compare_results(study, parameters))


def _status(study: CompareStudy, undecided: int) -> str:
    printed = int((study.data.runs["status"] == "printed").sum())
    pairs = sum(len(c.pairs) for c in study.comparisons.values())
    text = f"From {counted(printed, 'print')}; the intervals hold for all differences of one category and response at once."
    if undecided:
        text += f" {undecided} of {counted(pairs, 'comparison')} {'stays' if undecided == 1 else 'stay'} open: see how many prints would settle it."
    return text


def _facts(study: CompareStudy) -> tuple[tuple[str, str], ...]:
    facts = []
    for (factor, name), found in study.comparisons.items():
        response = study.response(name)
        largest = max(found.pairs, key=lambda p: abs(p.estimate))
        places = decimals_for(largest.high_all - largest.low_all)
        facts.append(
            (
                f"largest difference in {response.title} by {spoken(factor)}",
                with_unit(number(abs(largest.estimate), places), response.unit),
            )
        )
    return tuple(facts)


def _pairs_table(found: Comparison, response: Response) -> Table:
    rows = []
    for pair in found.pairs:
        places = decimals_for(pair.high_all - pair.low_all)
        test = pair.equivalence
        rows.append(
            (
                f"{pair.second} against {pair.first}",
                with_unit(number(pair.estimate, places), response.unit),
                "–" if test is None else interval(test.low, test.high, "", places),
                interval(pair.low_all, pair.high_all, "", places),
                VERDICTS[pair.verdict]
                if test is not None
                else (
                    "clear difference"
                    if pair.verdict == DIFFERS
                    else "no clear difference, which is not proof of none"
                ),
            )
        )
    columns = ("Compared", "Difference", "90 %, for the margin", "95 %, all at once", "In words")
    caption = f"{capital(response.title)}: differences of the means of prints, by {found.method}."
    return Table(columns, tuple(rows), caption, numeric=(1, 2, 3))


def _scatter_table(study: CompareStudy) -> Table:
    groups = tuple(dict.fromkeys(g for c in study.comparisons.values() for g in c.group_sds))
    rows = []
    for name in dict.fromkeys(n for _, n in study.comparisons):
        found = next(c for (_, n), c in study.comparisons.items() if n == name)
        unit = study.response(name).unit
        cells = [found.sd, *(found.group_sds.get(g) for g in groups)]
        rows.append(
            (
                study.response(name).title,
                *("–" if v is None else with_unit(number(v, decimals_for(v)), unit) for v in cells),
            )
        )
    columns = ("Response", "Between prints", *(f"Between {spoken(g)}s" for g in groups))
    return Table(
        columns,
        tuple(rows),
        "Scatter where nothing was changed, as standard deviations.",
        numeric=tuple(range(1, len(columns))),
    )
