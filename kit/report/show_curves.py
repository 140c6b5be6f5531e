"""The curves of a study: a picture of each and a table of what was read off."""

from __future__ import annotations

from math import isfinite

from kit.analysis import Analysis
from kit.bench.curve_readings import curve_response, study_curves
from kit.bench.curves import CurveReading
from kit.charts.force_curves import draw_curves
from kit.report.document import Block, Group, Heading, Sentences, Table
from kit.report.figures import figure_block
from kit.report.wording import number
from kit.saying import counted

TOLD_LOSS = 0.001
"""A smaller share of the peak lost between two points is not worth a word."""


def show_curves(analysis: Analysis) -> Group:
    """Show every force-extension curve with what was read off it; nothing where there are none."""
    response = curve_response(analysis.study)
    found = study_curves(analysis.data)
    if response is None or not found.readings:
        return Group((Sentences(found.waiting, tone="minor"),) if found.waiting else ())
    readings = list(found.readings.values())
    blocks: list[Block] = [Heading("What the curves show", 3)]
    blocks += [figure_block(p) for p in draw_curves(readings, response.title)]
    odd = tuple(
        f"Run {r.run}, specimen {r.specimen}: {', '.join(r.flags)}." for r in readings if r.flags
    )
    if odd:
        blocks.append(Sentences(odd, tone="notice"))
    blocks += [_table(readings), Sentences(_how(readings), tone="minor")]
    return Group(tuple(blocks))


def _table(readings: list[CurveReading]) -> Table:
    rows = tuple(
        (
            f"{r.run} {r.specimen}",
            number(r.strength, 1),
            _or_dash(r.modulus, 0),
            _or_dash(r.strain_at_strength, 2),
            _or_dash(r.strain_at_break, 2),
            _or_dash(r.yield_stress, 1),
            number(r.peak_force, 1),
        )
        for r in readings
    )
    columns = (
        "Run, specimen",
        "Strength (MPa)",
        "Modulus (MPa)",
        "Strain at strength (%)",
        "Strain at break (%)",
        "Yield (MPa)",
        "Peak force (N)",
    )
    caption = f"Read off {counted(len(readings), 'curve')}; a dash where the curve does not tell"
    return Table(columns, rows, caption, numeric=tuple(range(1, len(columns))), folded=True)


def _how(readings: list[CurveReading]) -> tuple[str, ...]:
    texts = [
        (
            "The force at rest is taken off, and the toe: strain counts from where the tangent of the steepest part meets zero. Strength is "
            "the highest stress on the measured section; the modulus is the chord between 0.05 % and 0.25 % strain (ISO 178, ISO 527-1)."
        )
    ]
    if any(r.has_strain for r in readings):
        texts.append(
            "Where the extension is the travel of the machine, the rig's own give is in the modulus and the strains (compliance in "
            "[curves] takes it off): they compare these specimens, not materials."
        )
    losses = [r.sampling_loss / r.peak_force for r in readings if r.sampling_loss > 0]
    if max(losses, default=0.0) >= TOLD_LOSS:
        texts.append(
            f"Between two points of the recording a peak may have been higher by up to {100 * max(losses):.1f} %."
        )
    return tuple(texts)


def _or_dash(value: float, decimals: int) -> str:
    return number(value if isfinite(value) else None, decimals)
