"""The rehearsal on the page: how often the plan would find a truth like this one."""

from __future__ import annotations

from math import isfinite

import pandas as pd

from kit.model.scale_words import judged_as_measured
from kit.rehearse_many import SUPPOSED, Rehearsal
from kit.report.document import Block, Group, Sentences, Table
from kit.report.wording import number, plain, spoken
from kit.saying import counted, listed, percent, stated_percent, with_unit
from kit.study.truth import TRUTH_FILE
from kit.terms import Term, expand_terms

NONE_AT_ALL = 1e-12


def show_rehearsal(rehearsal: Rehearsal) -> Group:
    """Show how often the plan found what is really there, and what is not."""
    sentences = [_source(rehearsal), *rehearsal_sentences(rehearsal)]
    sentences += judged_as_measured(rehearsal.study.responses)
    blocks: list[Block] = [Sentences(tuple(sentences))]
    if len(rehearsal.effects):
        blocks.append(_table(rehearsal))
    return Group(tuple(blocks))


def rehearsal_sentences(rehearsal: Rehearsal) -> tuple[str, ...]:
    """Say what came of it: effects found, false alarms, windows."""
    said = [*_effects(rehearsal)]
    if isfinite(rehearsal.recommended):
        said += _windows(rehearsal)
    if rehearsal.failed > 0:
        said.append(f"{number(rehearsal.failed, 1)} prints failed in each on average.")
    if rehearsal.lost:
        said.append(
            f"{counted(rehearsal.lost, 'rehearsal')} could not be fitted: too many prints had failed."
        )
    return tuple(said)


def _source(rehearsal: Rehearsal) -> str:
    what = (
        f"the truth stated in {TRUTH_FILE}"
        if rehearsal.stated
        else f"supposed that every setting matters (its margin, or {plain(SUPPOSED)} times the scatter, from low to high) and nothing "
        f"else does; write {TRUTH_FILE} into the folder to rehearse with another truth"
    )
    return f"The plan was printed {counted(rehearsal.times, 'time')} by a virtual printer: simulated, {what}."


def _effects(rehearsal: Rehearsal) -> list[str]:
    table = rehearsal.effects
    if table.empty:
        return []
    real = table[table["true"].abs() > NONE_AT_ALL]
    none = table[table["true"].abs() <= NONE_AT_ALL]
    said = []
    sure = real[real["found"] >= 0.8]
    if len(real):
        said.append(
            f"Of {counted(len(real), 'real effect')} {len(sure)} would be found at least four times out of five, on average "
            f"{percent(float(real['found'].mean()))} of the times."
        )
    if len(none):
        said.append(
            f"Where there is no effect, one is seen all the same in {percent(float(none['found'].mean()))} of the looks; about 5 % is "
            "what intervals of 95 % promise."
        )
    said.append(
        f"The intervals held the truth in {percent(float(table['covered'].mean()))} of the cases."
    )
    return said


def _windows(rehearsal: Rehearsal) -> list[str]:
    wanted = stated_percent(rehearsal.study.window.confidence)
    there = (
        f"There are settings at which a new part truly meets everything with a chance of {wanted}"
        if rehearsal.exists
        else f"In this truth no printable setting reaches the chance of {wanted}"
    )
    said = [
        f"{there}; some were recommended in {percent(rehearsal.recommended)} of the rehearsals."
    ]
    if isfinite(rehearsal.kept):
        said.append(
            f"The recommended settings truly reached it in {percent(rehearsal.kept)} of these: stated {percent(rehearsal.said)}, "
            f"true {percent(rehearsal.met)} on average."
        )
    return said


def _table(rehearsal: Rehearsal) -> Table:
    study, table = rehearsal.study, rehearsal.effects
    responses = [r for r in study.responses if (table["response"] == r.name).any()]
    terms = {t.name: t for t in expand_terms(study.coding, "second_order")}
    rows = []
    for name in dict.fromkeys(table["term"]):
        mine = table[table["term"] == name].set_index("response")
        cells = [
            _cell(mine.loc[r.name], terms.get(name), "SD" if r.name in rehearsal.in_sd else r.unit)
            if r.name in mine.index
            else "–"
            for r in responses
        ]
        rows.append((_spoken(name), *cells))
    caption = "How often each effect is found (its 95 % interval keeps away from 0); in brackets how large it truly is."
    return Table(
        ("Effect", *(r.title for r in responses)),
        tuple(rows),
        caption,
        numeric=tuple(range(1, len(responses) + 1)),
    )


def _cell(row: pd.Series, term: Term | None, unit: str) -> str:
    found = f"{100 * float(row['found']):.0f} %"
    if abs(float(row["true"])) <= NONE_AT_ALL:
        return f"{found} (none)"
    scale = (
        2.0 if term is not None and term.powers and len(set(term.factors)) == term.order else 1.0
    )
    size = with_unit(plain(float(f"{scale * float(row['true']):.2g}")), unit)
    return f"{found} ({size})"


def _spoken(term: str) -> str:
    name, bend, _ = term.partition("^")
    if bend:
        return f"bend of {spoken(name)}"
    return listed([spoken(p).replace("=", " ") for p in term.split(":")], "with")
