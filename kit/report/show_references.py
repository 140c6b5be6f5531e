"""Instruments against their references: bias, slope, and the budget of a corrected reading."""

from __future__ import annotations

import numpy as np

from kit.bench.bias import Bias
from kit.charts.bias import draw_bias
from kit.report.document import Block, Group, Sentences, Table
from kit.report.figures import figure_block
from kit.report.gauge_study import GaugeStudy
from kit.report.wording import decimals_for, interval, number
from kit.saying import with_unit


def show_references(study: GaugeStudy) -> Group:
    """Show each instrument against its references: bias, slope, and the budget of a corrected reading."""
    if not study.biases:
        text = (
            "No references were read (references.csv: instrument, reference, true_value, reading), so nothing is known of what the "
            "instruments show too much or too little. A gauge block, a drill shank, a mass or the tile will do; two or more show a slope."
        )
        return Group((Sentences((text,), tone="minor"),))
    blocks: list[Block] = []
    table = study.data.references
    assert table is not None
    for name, bias in study.biases.items():
        rows = table[table["instrument"] == name]
        blocks.append(figure_block(draw_bias(bias, rows)))
        blocks.append(Sentences(tuple(_bias_details(bias))))
        if bias.is_bent:
            text = "A straight line does not describe this instrument; what it leaves out is counted in the uncertainty."
            blocks.append(Sentences((text,), tone="notice"))
        blocks.append(_budget_table(bias))
    return Group(tuple(blocks))


def bias_sentence(bias: Bias) -> str:
    """Say in a sentence what an instrument shows too much or too little."""
    ends = bias.at(np.array([bias.low, bias.high]))
    U = bias.budget_at(bias.centre).expanded
    if bias.slope is None:
        return f"The {bias.instrument} shows {_too(float(ends[0]), bias.unit, U)} at {_amount(bias.centre, bias.unit)}."
    low, high = _too(float(ends[0]), bias.unit, U), _too(float(ends[1]), bias.unit, U)
    return f"The {bias.instrument} shows {low} at {bias.low:g} and {high} at {_amount(bias.high, bias.unit)}."


def _too(value: float, unit: str, scale: float) -> str:
    text = with_unit(number(abs(value), decimals_for(max(scale, abs(value) / 10))), unit)
    return f"{text} too {'much' if value >= 0 else 'little'}"


def _bias_details(bias: Bias) -> list[str]:
    c, unit = bias.constant, bias.unit
    centre = _amount(bias.centre, unit)
    text = f"In the middle of the references, at {centre}, the {bias.instrument} shows {_too(c.value, unit, c.std_error)}"
    text += f" (95 % interval of reading minus true value {interval(c.low, c.high, unit)})"
    sentences = [text + ("." if c.is_clear else "; it may as well be right.")]
    if bias.slope is None:
        sentences.append(
            "One reference cannot show whether the bias grows along the scale: not estimable. Read at least two."
        )
    else:
        s = bias.slope
        places = decimals_for(100 * (s.high - s.low))
        change = f"{number(100 * s.value, places)} % of the true value (95 % interval {number(100 * s.low, places)} to {number(100 * s.high, places)} %)"
        sentences.append(
            f"Along the scale the bias changes by {change}"
            + ("." if s.is_clear else ": no clear slope.")
        )
    sentences.append(
        f"Readings whose instrument is called {bias.instrument!r} in readings.csv are corrected by this line; the doubt of the correction is "
        "carried on and does not average out."
    )
    if bias.u_true == 0:
        sentences.append(
            "The uncertainty of the references is not stated (column u_true), and counted as zero."
        )
    return sentences


def _budget_table(bias: Bias) -> Table:
    found = bias.budget_at(bias.centre)
    rows = [
        (s.name, _amount(s.u, bias.unit), "–" if np.isinf(s.df) else f"{s.df:.0f}")
        for s in found.sources
    ]
    df = "–" if np.isinf(found.df) else f"{found.df:.0f}"
    rows.append(("combined", _amount(found.u, bias.unit), df))
    rows.append(
        (f"expanded, k = {found.coverage_factor:.2f}", _amount(found.expanded, bias.unit), "")
    )
    caption = f"Uncertainty of one corrected reading of the {bias.instrument} at {_amount(bias.centre, bias.unit)}, 95 % (GUM)"
    return Table(
        ("Source", "Standard uncertainty", "Degrees of freedom"),
        tuple(rows),
        caption,
        numeric=(1, 2),
    )


def _amount(value: float, unit: str) -> str:
    size = abs(value)
    return with_unit(number(value, decimals_for(size) if size < 1000 else 0), unit)
