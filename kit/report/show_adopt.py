"""The adopter's page: which settings suit this printer, and what its few prints say of it."""

from __future__ import annotations

from collections.abc import Mapping
from math import expm1, sqrt
from typing import Any

from kit.charts.offset import draw_offset
from kit.report.adoption import DONOR, Adoption
from kit.report.adoption_numbers import adoption_numbers, both_digests
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
from kit.report.wording import (
    decimals_for,
    interval,
    number,
    requirement,
    setting,
    settings_line,
    spoken,
)
from kit.saying import counted, listed, percent, with_unit
from kit.window.offset import OffsetPosterior
from kit.window.printers import nozzle_place

CHECK_SD = 2.0
"""degC; what an independent thermometer in the nozzle tells to. Common practice, no source."""

WORTH = 0.02
"""Further prints are advised where they raise the expected chance by this much."""


def show_adopt_answer(adoption: Adoption) -> Group:
    """Show title and answer: the settings for this printer and their chance."""
    blocks: list[Block] = [Heading(adoption.data.study.title, 1)]
    blocks.append(_answer(adoption) if adoption.corrected else _not_yet(adoption))
    if adoption.notes:
        blocks.append(Sentences(adoption.notes, tone="notice", title="Before you act on it"))
    return Group(tuple(blocks))


def _printer(adoption: Adoption) -> str:
    name = adoption.data.study.printer.name
    return f"On the {name}" if name else "On this printer"


def _answer(adoption: Adoption) -> Answer:
    found, study = adoption.corrected, adoption.study
    assert found is not None
    goal = study.window.confidence
    wanted = "; ".join(f"{r.title} {requirement(r)}" for r in study.responses if r.has_limits)
    sentence = (
        f"{_printer(adoption)}: {settings_line(study, found.settings)}. Chance that one new part meets all of ({wanted}): "
        f"{percent(found.probability)} (95 % interval {percent(found.low)} to {percent(found.high)}), from the donor's "
        f"{counted(adoption.donor.printed, 'print')} and {counted(len(adoption.prints), 'print')} here."
    )
    reached = found.probability >= goal
    status = (
        f"{_change(adoption)} Print these settings once more and measure before you rely on them."
        if reached
        else f"{_change(adoption)} That is below the {percent(goal)} asked for."
    )
    facts = (
        ("donor's settings, before these prints", percent(found.donor_before)),
        ("donor's settings, after them", percent(found.donor_after)),
        ("settings for this printer", percent(found.probability)),
    )
    return Answer(sentence, status, facts, reached=reached)


def _change(adoption: Adoption) -> str:
    """Say what is set differently from the donor."""
    found, study = adoption.corrected, adoption.study
    assert found is not None
    parts = []
    for factor in study.factors:
        old, new = adoption.settings[factor.name], found.settings[factor.name]
        if old == new:
            continue
        if isinstance(old, str) or isinstance(new, str):
            parts.append(f"{spoken(factor.name)} {new} instead of {old}")
            continue
        parts.append(
            f"{spoken(factor.name)} {setting(factor, abs(new - old))} {'higher' if new > old else 'lower'}"
        )
    return (
        f"Against the donor's settings: {listed(parts)}."
        if parts
        else "The donor's settings hold here as they are."
    )


def _not_yet(adoption: Adoption) -> Answer:
    line = settings_line(adoption.study, adoption.settings)
    sentence = (
        f"The donor recommends {line}. {_printer(adoption)} nobody has printed yet: print the runs in runs.csv, measure them, and "
        "make this page again."
    )
    status = "Nothing is recommended for this printer so far."
    return Answer(sentence, status, reached=False)


def show_adopt_printer(adoption: Adoption) -> Group:
    """Show what the prints say of this printer: thermometer difference and other differences."""
    found = adoption.after or adoption.before
    blocks: list[Block] = [figure_block(draw_offset(found))]
    if adoption.after is None:
        return Group(tuple(blocks))
    blocks.append(
        Sentences(tuple(_said(adoption, found)), tone="notice" if found.confounded else "plain")
    )
    rows = []
    for name in found.bias_sd:
        response = adoption.study.response_named(name)
        surface = found.printers.surfaces[name]
        added, unit = [*found.bias_limits(name), found.bias_sd[name]], response.unit
        if surface.scale.kind == "log":  # what is added to a logarithm is a share of the value
            added, unit = [100 * expm1(v) for v in added], "%"
        else:
            added = [v / surface.stretch for v in added]
        mean, low, high, assumed = added
        places = decimals_for(high - low)
        rows.append(
            (
                response.title,
                with_unit(number(mean, places), unit),
                interval(low, high, unit, places),
                with_unit(number(assumed, places), unit),
            )
        )
    caption = (
        "What this printer adds to each response at equal temperature, for whatever other reason."
    )
    if any(s.scale.kind == "log" for s in found.printers.surfaces.values()):
        caption += " In percent where the response is fitted as its logarithm."
    columns = ("Response", "Added here", "95 of 100", "Assumed beforehand (SD)")
    blocks.append(Table(columns, tuple(rows), caption, numeric=(1, 2, 3)))
    return Group(tuple(blocks))


def _said(adoption: Adoption, found: OffsetPosterior) -> list[str]:
    low, high = found.interval
    said = [
        (
            f"At the same indication this nozzle is about {_heat(found.mean)} than the donor's: with 95 % chance between {_heat(low)} and "
            f"{_heat(high)}. Before the prints the doubt was {number(found.prior_sd, 1)} °C (SD), now it is {number(found.sd, 1)} °C."
        )
    ]
    if found.confounded:
        check = 1 / sqrt(1 / found.sd**2 + 1 / CHECK_SD**2)
        said.append(
            "Thermometer and other differences cannot be told apart by these prints: the responses are off, but a hotter nozzle "
            f"and a printer that simply gives other values explain it alike. If nothing but the thermometers differed, "
            f"{number(found.known_sd, 1)} °C of doubt would be left."
        )
        said.append(
            f"An independent thermometer that reads the nozzle to {CHECK_SD:g} °C would leave {number(check, 1)} °C "
            f"(thermometer = ... under [adopt]). {_which_prints(adoption)}"
        )
        said.append(
            "The settings above do not need to know which it is: they are chosen over all that these prints leave open."
        )
    return said


def _heat(degrees: float) -> str:
    return f"{abs(degrees):.0f} °C {'hotter' if degrees >= 0 else 'colder'}"


def _which_prints(adoption: Adoption) -> str:
    more = adoption.more
    if more is None:
        return ""
    if more.sd_then > 0.8 * more.sd_now:
        return "Further prints would hardly help: no setting that was tried tells the two apart better."
    first = settings_line(adoption.study, more.settings[0])
    return (
        f"Of prints, those where the response bends or where temperature acts differently tell them apart best, such as {first}; three "
        f"would leave {number(more.sd_then, 1)} °C."
    )


def show_adopt_more(adoption: Adoption) -> Group:
    """Show the settings side by side, and what three more prints would bring."""
    if adoption.corrected is None or adoption.more is None:
        text = "That can be said once the prints are measured."
        return Group((Sentences((text,), tone="minor"),))
    study, found, more = adoption.study, adoption.corrected, adoption.more
    place = nozzle_place(study)
    assert place is not None
    sides = Table(
        ("Settings", "", "Before the prints", "After them"),
        (
            (
                "the donor's",
                settings_line(study, adoption.settings),
                percent(found.donor_before),
                percent(found.donor_after),
            ),
            (
                "for this printer",
                settings_line(study, found.settings),
                "–",
                percent(found.probability),
            ),
        ),
        "Chance that one new part meets every requirement on this printer.",
        numeric=(2, 3),
    )
    gain = more.probability_then - more.probability_now
    text = (
        f"{counted(len(more.settings), 'more print')} would leave {number(more.sd_then, 1)} °C of doubt about the thermometer (now "
        f"{number(more.sd_now, 1)} °C) and raise the chance that can be counted on by about {100 * gain:.1f} points."
    )
    advice = (
        "They are worth it."
        if gain >= WORTH
        else "They are hardly worth it; print the settings once to be sure instead."
    )
    rows = tuple(tuple(setting(f, s[f.name]) for f in study.factors) for s in more.settings)
    where = Table(
        tuple(spoken(f.name) for f in study.factors),
        rows,
        "Where further prints would tell most of the thermometer.",
        numeric=tuple(range(len(study.factors))),
    )
    return Group((sides, Sentences((text, advice)), where))


def show_adopt_prints(adoption: Adoption) -> Group:
    """Show the prints used and what the donor's surfaces foretell for them."""
    study, table = adoption.study, adoption.prints
    if table.empty:
        return Group((Sentences(("No print of this printer is measured yet.",), tone="minor"),))
    surfaces = adoption.before.printers.surfaces
    coded = study.coding.code({n: table[n] for n in study.coding.names})
    columns = ["Run", *(spoken(f.name) for f in study.factors)]
    cells = [
        [str(r), *(setting(f, row[f.name]) for f in study.factors)]
        for r, row in zip(table["run"], table.to_dict("records"), strict=True)
    ]
    for name, surface in surfaces.items():
        response = study.response_named(name)
        columns.append(response.title)
        places = decimals_for(4 * sqrt(surface.residual_variance) / surface.stretch)
        means = surface.typical(coded)
        for i, value in enumerate(table[name]):
            found, foretold = (number(float(v), places) for v in (value, means[i]))
            cells[i].append(f"{with_unit(found, response.unit)} ({foretold})")
    caption = "The prints on this printer; in brackets what the donor's surfaces foretell at the indicated settings."
    numeric = tuple(range(1, len(columns)))
    return Group((Table(tuple(columns), tuple(tuple(c) for c in cells), caption, numeric=numeric),))


def show_adopt_cautions(adoption: Adoption) -> Group:
    """Show the cautions that apply, and what the results are not for."""
    return Group((caution_list(adoption.data.study),))


def show_adopt_provenance(adoption: Adoption, parameters: Mapping[str, Any] | None = None) -> Group:
    """Show versions, seed and the digests of the files of both studies."""
    text = f"The same files give the same numbers; the donor's lie in the folder {DONOR}. All numbers stand in results.json beside this page."
    return provenance_blocks(adoption.data.study, both_digests(adoption), parameters, text)


def adopt_numbers(adoption: Adoption, parameters: Mapping[str, Any] | None = None) -> Results:
    """Carry the numbers of ``results.json`` out of the notebook."""
    return Results(adoption_numbers(adoption, parameters))
