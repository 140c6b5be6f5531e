"""How much of a study's scatter is measuring, and what the doubt of the instruments does to its answer."""

from __future__ import annotations

from kit.analysis import Analysis
from kit.model.measuring_share import MeasuringShare
from kit.report.document import Block, Group, Sentences
from kit.report.measuring_numbers import gauge_of, share_of
from kit.report.wording import decimals_for, number
from kit.saying import counted, percent, with_unit
from kit.study.description import Response
from kit.study.quantities import RECIPE_INPUTS
from kit.window.measuring_doubt import chance_if_off
from kit.words import capital

SMALL, MOSTLY = 0.10, 0.50
TWO = 2.0
"""Two standard uncertainties, about 95 %."""


def show_measuring(analysis: Analysis) -> Group:
    """Say, for each response, how much of the scatter is measuring, and what the instruments leave open."""
    plain: list[str] = []
    notice: list[str] = []
    for name, surface in analysis.surfaces.items():
        if surface.stated.recipe == "score":  # its raters are judged for themselves
            continue
        gauge, share = gauge_of(analysis, name), share_of(analysis, name)
        text = _share_text(share, surface.stated)
        (notice if share is not None and share.added > SMALL else plain).append(text)
        if (
            gauge is not None
            and (found := gauge.components["reproducibility"]) is not None
            and found.variance > 0
        ):
            unit = surface.stated.unit
            plain.append(
                f"{capital(surface.stated.title)}: operators differ with an SD of {_amount(found.sd, unit)} (gauge study); what one person "
                "measured throughout is shifted alike, and another person may see it otherwise."
            )
    notice += _doubt(analysis)
    blocks: list[Block] = []
    if notice:
        blocks.append(Sentences(tuple(notice), tone="notice"))
    if plain:
        blocks.append(Sentences(tuple(plain)))
    return Group(tuple(blocks))


def _share_text(share: MeasuringShare | None, response: Response) -> str:
    title = capital(response.title)
    if share is None and response.recipe in RECIPE_INPUTS:
        return f"{title}: every specimen was broken once, so what specimens of a print differ holds the measuring, and the two cannot be separated."
    if share is None:
        return (
            f"{title}: nothing was read twice, so nobody knows how much of its scatter is measuring. Repeat readings or a gauge study "
            "would tell."
        )
    unit, source = (
        response.unit,
        "" if share.source == "repeat readings" else " (from the gauge study)",
    )
    text = f"{title}: print means at the same settings scatter with an SD of {_amount(share.print_sd, unit)}; reading alone{source} gives them "
    text += _amount(share.reading_sd, unit)
    if share.added >= MOSTLY or share.repeats_needed is None:
        return f"{text}, which may be all of it. Read more often, or find a better instrument, before blaming the printer."
    text += f", which makes it {_share(share.added)} larger."
    if share.added > SMALL:
        text += f" {capital(counted(share.repeats_needed, 'reading'))} a specimen would keep that below a tenth."
    return text


def _doubt(analysis: Analysis) -> list[str]:
    """Say what the doubt of the corrections may do to the chance at the settings the page names."""
    off = {
        n: TWO * m.u_correction
        for n, m in analysis.measured.items()
        if m.u_correction > 0 and n in analysis.surfaces
    }
    window = analysis.window
    choice = window.choice if window else None
    if not off:
        return []
    parts = [
        f"{analysis.study.response_named(n).title} by ±{_amount(u, analysis.study.response_named(n).unit)}"
        for n, u in off.items()
    ]
    text = (
        f"Instruments were corrected by their references, and the corrections leave a doubt that no number of prints shrinks: {', '.join(parts)} "
        "(two standard uncertainties, all results alike)."
    )
    if choice is None or choice.probability != choice.probability:
        return [text]
    fitted, worst = chance_if_off(analysis.judged, choice.settings, off)
    if worst > fitted - 0.01:
        return [f"{text} It hardly changes the chance at the settings above."]
    return [
        f"{text} If all were off for the worse, the chance at the settings above would be {percent(worst)} instead of {percent(fitted)}."
    ]


def _share(added: float) -> str:
    return f"{100 * added:.0f} %" if added >= 0.01 else "less than 1 %"


def _amount(value: float, unit: str) -> str:
    return with_unit(number(value, decimals_for(value)), unit)
