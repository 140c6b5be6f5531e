"""The sheet for the printer and the sheet for the bench: self-contained pages to print on A4.

The bench sheet follows the print order and tells what changes; the measuring sheet has another random
order and no settings, so that whoever measures is blind to them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from math import isfinite
from typing import Any

import pandas as pd

from kit.bench.cautions import Caution, cautions_for
from kit.bench.sheet_parts import TICK, blanks, capital, caution_list, foot, head, safe
from kit.bench.sheet_style import page
from kit.printer import FINE, PrintAssessment, plain
from kit.study.description import Factor, Response, Study
from kit.study.quantities import RECIPE_INPUTS, quantity_names
from kit.words import FACTOR_KINDS, QUANTITIES, unit_label

FACTORS_UPRIGHT, FACTORS_LARGE = 3, 6
"""With more factors the paper is turned; with still more the letters are smaller."""
FAULTS = "under-extruded, warped, came loose or stopped"
"""Usual faults of a print, so that all write the same words; common practice, no source."""
MOST_FINDINGS = 6
"""So many findings on the plan fit the head of the sheet."""
SETTLE_MIN = 10
"""Minutes that a bed or nozzle should be steady before a new stretch; common practice, no source."""
HOW_TO_MEASURE = (
    "Measure in this order. Do not look at earlier readings, nor at the settings of a run; lift the instrument off "
    "between repeats. Write what it shows, with all digits; strike out a slip, never rub it out."
)


def bench_sheet(
    study: Study,
    runs: pd.DataFrame,
    assessment: PrintAssessment,
    cautions: Sequence[Caution],
) -> str:
    """Lay out the sheet for the printer.

    Parameters
    ----------
    study : Study
        The description.
    runs : DataFrame
        The plan, columns as in ``runs.csv``; it is put into print order.
    assessment : PrintAssessment
        Of the same runs, for minutes, grams and what to look at twice.
    cautions : sequence of Caution
        Those that belong on a bench sheet are shown: two in the head, the others at the end.

    Returns
    -------
    str
        A whole HTML page; all the user's words escaped.
    """
    runs = runs.sort_values("print_order", kind="stable")
    expected = {str(row["run"]): row for row in _rows(assessment.table)}
    rows = _rows(runs)
    shown = [c for c in cautions if "sheet" in c.where]
    blocks = len(set(runs["block"])) > 1
    body: list[str] = []
    last: dict[str, Any] | None = None
    for row in rows:
        opens = blocks and (last is None or row["block"] != last["block"])
        body.append(_run(study, row, last, expected.get(str(row["run"]), {}), opens=opens))
        last = row
    content = (
        head(
            f"Bench sheet: {study.title}",
            [_set_up(study)],
            f'<p class="facts">{safe(_total(rows, assessment))}</p>\n{caution_list(shown[:2])}{_findings(assessment)}',
        )
        + blanks(["Date", "Printed by", "Room °C", "Spool dried on"])
        + f'<p class="how">{safe(_how_to(study))}</p>\n'
        + f'<table class="{"dense" if len(study.factors) > FACTORS_LARGE else "large"}">\n{_columns(study)}{"".join(body)}</table>\n'
        + foot(study, shown[2:])
    )
    title = f"Bench sheet: {escape(study.title)}"
    return page(title, "Bench sheet", content, landscape=len(study.factors) > FACTORS_UPRIGHT)


def measuring_sheet(study: Study, to_fill: pd.DataFrame) -> str:
    """Lay out the sheet for measuring: in measuring order, by label only, one blank box a reading.

    Parameters
    ----------
    study : Study
        The description.
    to_fill : DataFrame
        One row a reading to take, as `kit.design.order.readings_to_fill` gives it.

    Returns
    -------
    str
        A whole HTML page; no setting stands on it.
    """
    cautions = cautions_for(study, place="measuring")
    content = (
        head(f"Measuring sheet: {study.title}", [HOW_TO_MEASURE], caution_list(cautions))
        + blanks(["Date", "Measured by", "Room °C", "Hours since printing"])
        + "".join(_section(study, response, part) for response, part in _sections(study, to_fill))
        + foot(study, ())
    )
    return page(f"Measuring sheet: {escape(study.title)}", "Measuring sheet", content)


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in table.to_dict("records")]


def _findings(assessment: PrintAssessment) -> str:
    """List what to know of the plan before printing; runs concerned carry a mark."""
    found = list(assessment.findings)
    if len(found) > MOST_FINDINGS:
        found = [*found[: MOST_FINDINGS - 1], "More is said in the plan's table."]
    items = "".join(f"<li>{safe(f)}</li>\n" for f in found)
    return f'<ul class="findings">\n{items}</ul>\n' if items else ""


def _set_up(study: Study) -> str:
    """Describe printer and spool in a line, as far as the study does."""
    printer, spool = study.printer, study.material
    parts = [printer.name, f"nozzle {printer.nozzle_diameter:g} mm"]
    if not any(f.kind == "layer_height" for f in study.factors):
        parts.append(f"layers {printer.layer_height:g} mm")
    parts += [f"lines {printer.line_width:g} mm", spool.name, spool.polymer, spool.colour]
    pieces = study.specimen.specimens_per_print
    if pieces > 1:
        parts.append(f"{pieces} specimens a print")
    parts.append(study.specimen.orientation)
    return " · ".join(p for p in parts if p)


def _total(rows: Sequence[Mapping[str, Any]], assessment: PrintAssessment) -> str:
    return assessment.totals or f"{len(rows)} prints"


def _how_to(study: Study) -> str:
    pieces = " and its letter" if study.specimen.specimens_per_print > 1 else ""
    return (
        "Print in this order. Bold with an arrow: change it. Fill in what was really set only where it differs. Write the "
        f"run's label{pieces} on the base of each specimen, never on a face that is measured. A failed print stays in the "
        f"list: write why ({FAULTS}). Runs marked ! are spoken of above."
    )


def heading(study: Study, factor: Factor) -> str:
    """Give a factor's name in the words of the trade.

    Parameters
    ----------
    study : Study
        To see whether two factors are of one kind.
    factor : Factor
        One of its factors.

    Returns
    -------
    str
        The kind's name where only one factor is of that kind; otherwise the user's own.
    """
    alone = sum(f.kind == factor.kind for f in study.factors) == 1
    if alone and factor.kind not in ("category", "other"):
        return FACTOR_KINDS[factor.kind].label
    return capital(factor.name.replace("_", " "))


def _columns(study: Study) -> str:
    heads = "".join(f"<th>{escape(heading(study, f))}</th>" for f in study.factors)
    widths = '<col style="width:22mm">' + "<col>" * len(study.factors) + '<col style="width:67mm">'
    return f"<colgroup>{widths}</colgroup>\n<thead><tr><th>Run</th>{heads}<th>Expected, outcome, remarks</th></tr></thead>\n"


def _run(
    study: Study,
    row: Mapping[str, Any],
    last: Mapping[str, Any] | None,
    expected: Mapping[str, Any],
    *,
    opens: bool,
) -> str:
    """Lay out one run: settings, boxes for what was really set, outcome; never split over pages."""
    settings = "".join(
        f'<td class="{"level" if f.is_category else "number"}">{_setting(f, row, last)}</td>'
        for f in study.factors
    )
    boxes = "".join(
        f'<td><div class="box">{escape(unit_label(f.unit))}</div></td>' for f in study.factors
    )
    stretch = _stretch(study, row, last, len(study.factors) + 2) if opens else ""
    mark = "" if expected.get("verdict", FINE) == FINE else "<b>!</b>"
    return (
        f'<tbody class="run">\n{stretch}'
        f'<tr class="set"><td class="label">{TICK}{escape(str(row["run"]))}{mark}</td>{settings}'
        f'<td><div class="ticks"><span>{_expected(expected)}</span><span>{TICK}printed</span><span>{TICK}failed</span></div></td></tr>\n'
        f'<tr class="real"><td>really set</td>{boxes}<td><div class="line">remarks</div></td></tr>\n</tbody>\n'
    )


def _setting(factor: Factor, row: Mapping[str, Any], last: Mapping[str, Any] | None) -> str:
    """Give a setting with its unit; bold with an arrow where it differs from the run before."""
    value, before = row[factor.name], None if last is None else last[factor.name]
    text = safe(setting_text(factor, value))
    if before is not None and before == value:
        return text
    arrow = "→"
    if before is not None and not factor.is_category:
        arrow = "↑" if float(value) > float(before) else "↓"
    return f"<b>{arrow} {text}</b>"


def setting_text(factor: Factor, value: float | str) -> str:
    """Give a setting with its unit, as one sets it.

    Parameters
    ----------
    factor : Factor
        For the unit.
    value : float or str
        Natural units, or a level's name.

    Returns
    -------
    str

    Examples
    --------
    >>> setting_text(Factor(name="nozzle", kind="nozzle_temperature", unit="degC"), 215.0)
    '215 °C'
    """
    if factor.is_category:
        return str(value)
    return f"{float(value):.6g} {unit_label(factor.unit)}".strip()


def _expected(expected: Mapping[str, Any]) -> str:
    """Give minutes and grams, as far as they are known."""
    parts = []
    minutes, grams = (float(expected.get(k, float("nan"))) for k in ("minutes", "grams"))
    if isfinite(minutes):
        parts.append(f"{minutes:.0f} min" if minutes >= 1 else "1 min")
    if isfinite(grams):
        parts.append(f"{plain(grams)} g")
    return ", ".join(parts)


def _stretch(
    study: Study, row: Mapping[str, Any], last: Mapping[str, Any] | None, span: int
) -> str:
    """Announce a new block: a thick line, what to set and how long to wait."""
    hard = [f for f in study.factors if f.hard_to_change]
    parts = [f"Block {row['block']}."]
    for factor in hard:
        name, value = heading(study, factor), setting_text(factor, row[factor.name])
        if last is not None and last[factor.name] == row[factor.name]:
            parts.append(f"{name} stays at {value}, but set it anew: undo it first.")
        else:
            parts.append(f"Set {name[:1].lower() + name[1:]} to {value}.")
    if any(f.kind in ("nozzle_temperature", "bed_temperature") for f in hard):
        parts.append(f"Wait until it has been steady for {SETTLE_MIN} min.")
    if not hard:
        parts.append("New plate, day or batch: note which beside its first run.")
    return f'<tr class="stretch"><td colspan="{span}">{safe(" ".join(parts))}</td></tr>\n'


def _sections(study: Study, to_fill: pd.DataFrame) -> list[tuple[Response, pd.DataFrame]]:
    """Split the readings by response, in the order they are taken."""
    known = quantity_names(study)
    owner = to_fill["quantity"].map(lambda q: known[q].response)
    return [
        (study.response_named(str(name)), part) for name, part in to_fill.groupby(owner, sort=False)
    ]


def _section(study: Study, response: Response, part: pd.DataFrame) -> str:
    """Lay out one response's table: a row a specimen, a blank box a reading."""
    readings = part[["quantity", "unit", "repeat"]].drop_duplicates()
    repeats = readings["quantity"].value_counts()
    heads = "".join(
        f"<th>{escape(_quantity(study, q))}{f' {repeat}' if repeats[q] > 1 else ''}</th>"
        for q, _, repeat in readings.itertuples(index=False)
    )
    boxes = "".join(
        f'<td><div class="box">{escape(unit_label(u))}</div></td>' for u in readings["unit"]
    )
    pieces = part[["run", "specimen"]].drop_duplicates()
    rows = "".join(
        f'<tr><td class="who">{escape(str(run))}</td><td class="who">{escape(str(specimen))}</td>{boxes}<td></td></tr>\n'
        for run, specimen in pieces.itertuples(index=False)
    )
    widths = '<col style="width:20mm"><col style="width:24mm">' + "<col>" * len(readings)
    return (
        f"<section>\n<h2>{escape(capital(response.title))}</h2>\n<p>{safe(_hint(response))}</p>\n"
        f"{blanks(['Instrument', 'Tile checked' if response.recipe == 'gloss' else 'Zero checked'])}"
        f'<table class="measure">\n<colgroup>{widths}<col style="width:40mm"></colgroup>\n'
        f"<thead><tr><th>Run</th><th>Specimen</th>{heads}<th>Remarks</th></tr></thead>\n"
        f"<tbody>\n{rows}</tbody>\n</table>\n</section>\n"
    )


def _quantity(study: Study, name: str) -> str:
    """Name what is read: a part of a recipe, or the response itself."""
    read = quantity_names(study)[name]
    if read.part in QUANTITIES:
        return QUANTITIES[read.part].label
    return capital(study.response_named(read.response).title)


def _hint(response: Response) -> str:
    """Say how to take the reading, in a sentence or two; common practice."""
    if response.recipe == "dimension":
        return (
            "Part cold. Close the jaws gently and square to the part, away from the first layer and from seams. Write the "
            "size itself, not its deviation."
        )
    if response.recipe == "gloss":
        return (
            f"At {response.geometry} degrees, aperture clean, on different spots of the same face; always the same way along "
            "the printed lines."
        )
    if response.recipe in RECIPE_INPUTS:
        span = f" Supports {response.span:g} mm apart." if response.span else ""
        return (
            "Width and thickness where it will break, before it breaks; then the highest force shown."
            f"{span} Note in the remarks where it broke; a break at a grip or support is marked so."
        )
    if response.passes_or_fails:
        return "Write yes where the piece passes, no where it does not; agree beforehand on what passes."
    if response.recipe == "score":
        return "Judge without knowing the settings, on the scale agreed beforehand."
    return "Take every reading the same way."
