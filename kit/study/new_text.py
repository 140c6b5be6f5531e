"""The text of a new ``study.toml``: commented, and free of numbers nobody chose.

Limits and the printer's card are left as comments, so that an example never decides anything.
"""

from __future__ import annotations

from dataclasses import dataclass
from zlib import crc32

from kit.study.nearest import number
from kit.study.presets import (
    DENSITIES,
    FACTOR_PRESETS,
    RESPONSE_PRESETS,
    FactorPreset,
    ResponsePreset,
)


@dataclass(frozen=True)
class Answers:
    """What a new study is made from.

    Attributes
    ----------
    title : str
    scope : str
        What the parts are for; empty = not stated.
    polymer : str
    stated_range : tuple of (float, float) or None
        degC, as printed on the spool.
    printer : str
    factors, responses : tuple of str
        Names of presets.
    """

    title: str
    scope: str = ""
    polymer: str = ""
    stated_range: tuple[float, float] | None = None
    printer: str = ""
    factors: tuple[str, ...] = ("nozzle", "speed", "fan")
    responses: tuple[str, ...] = ("width_error", "gloss", "bending_strength")


def new_study_text(answers: Answers) -> str:
    """Write a commented ``study.toml``.

    Parameters
    ----------
    answers : Answers
        What the maker said.

    Returns
    -------
    str
        Reads back without a problem; the same answers give the same text.
    """
    parts = [_head(answers), _set_up(answers)]
    parts += [_factor(name, FACTOR_PRESETS[name], answers) for name in answers.factors]
    parts += [_response(name, RESPONSE_PRESETS[name]) for name in answers.responses]
    parts.append(_plan(answers))
    return "\n".join(parts)


def toml_text(text: str) -> str:
    r"""Write a TOML string.

    Parameters
    ----------
    text : str
        Any text without lone surrogates.

    Returns
    -------
    str

    Examples
    --------
    >>> print(toml_text('5" wide \\ flat'))
    "5\" wide \\ flat"
    """
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return (
        '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in escaped) + '"'
    )


def _row(line: str, comment: str) -> str:
    """Put a comment beside a line, in the same column wherever there is room."""
    return f"{line:<30} # {comment}"


def _head(answers: Answers) -> str:
    seed = crc32(answers.title.encode("utf-8", errors="replace")) % 9000 + 1000
    lines = [
        "# A study of testprint: what is varied, what is measured, what is required. Plain text; nothing in it is run.",
        "# Cautions: the nozzle, the bed and fresh parts burn; air the room; never leave a print unattended; wear eye",
        "# protection when breaking specimens. Local codes and licensed practice come first.",
        "# Out of scope: parts over people or under load, food, toys, medical parts, mains.",
        "",
        f"title = {toml_text(answers.title)}",
        _row('question = ""', "what you want to know, in a sentence"),
        _row(f"scope = {toml_text(answers.scope)}", "what the parts are for"),
        _row(f"seed = {seed}", "makes the random print order repeatable"),
        "",
    ]
    return "\n".join(lines)


def _density(polymer: str) -> tuple[str, str]:
    known = polymer.strip().upper() if polymer.strip().upper() in DENSITIES else "PLA"
    return f"density = {DENSITIES[known]:g}", f"g/cm3, common for {known}; see the label"


def _set_up(answers: Answers) -> str:
    stated = answers.stated_range
    on_spool = (
        f"stated_range = [{number(stated[0])}, {number(stated[1])}]"
        if stated
        else "# stated_range = [190, 230]"
    )
    lines = [
        "[material]",
        f"polymer = {toml_text(answers.polymer)}",
        _row(on_spool, "degC, as printed on the spool"),
        _row("filament_diameter = 1.75", "mm"),
        _row(*_density(answers.polymer)),
        _row("abrasive = false", "true for glow, fibre and metal fillings"),
        "",
        "[printer]",
        f"name = {toml_text(answers.printer)}",
        _row("nozzle_diameter = 0.4", "mm"),
        _row("layer_height = 0.2", "mm"),
        _row("line_width = 0.45", "mm"),
        "# Worth looking up: with the lines below the plan says what the printer cannot do.",
        _row("# acceleration = 1000", "mm/s2, from the printer's menu"),
        _row("# melt_limit = 11", "mm3/s, or pairs [[degC, mm3/s], ...]: [[200, 9], [230, 13]]"),
        _row("# nozzle_max = 250", "degC, hard stop from the printer's manual"),
        _row("# bed_max = 90", "degC, hard stop"),
        "",
        "[specimen]",
        _row("# straight_path = 40", "mm, longest straight line the nozzle runs"),
        _row("# path_per_layer = 900", "mm"),
        "# layers = 20",
        _row("# min_layer_time = 8", "s, as set where the layers are made"),
        _row("# mass = 6.5", "g"),
        "specimens_per_print = 1",
        "",
    ]
    return "\n".join(lines)


def _factor(name: str, preset: FactorPreset, answers: Answers) -> str:
    lines = ["[[factor]]", f'name = "{name}"', f'kind = "{preset.kind}"']
    if preset.levels:
        levels = f"levels = [{', '.join(map(toml_text, preset.levels))}]"
        return "\n".join(
            [*lines, _row(levels, "the first is what the others are compared with"), ""]
        )
    low, high = preset.low, preset.high
    if preset.kind == "nozzle_temperature" and answers.stated_range:
        low, high = answers.stated_range
    lines += [
        f'unit = "{preset.unit}"',
        _row(f"low = {number(low)}", preset.comment),
        f"high = {number(high)}",
        _row(f"step = {number(preset.step)}", "what can be set"),
        _row("# min = ...", "hard limits, if there are any"),
        "# max = ...",
    ]
    return "\n".join([*lines, ""])


def _response(name: str, preset: ResponsePreset) -> str:
    lines = [
        "[[response]]",
        f'name = "{name}"',
        f'unit = "{preset.unit}"',
        _row(f'from = "{preset.recipe}"', preset.comment),
    ]
    lines += [_row(f"{key} = {value}", what) for key, value, what in preset.needed]
    lines.append("# Limits: take the # away and write your own numbers.")
    lines += [
        _row(f"# {key} = {value}", f"{preset.unit}, {what}") for key, value, what in preset.limits
    ]
    return "\n".join([*lines, ""])


def _plan(answers: Answers) -> str:
    scales = [name for name in answers.factors if not FACTOR_PRESETS[name].levels]
    centre = _row("centre_points = 4", "runs in the middle; they show the scatter")
    if len(scales) > 1:
        family, terms = "central_composite", "second_order"
        options = [centre, _row('axial = "face"', "axial points at low and high, never beyond")]
    else:
        family, terms = "full_factorial", "second_order" if scales else "interactions"
        options = [_row("replicates = 3", "every combination printed so often")]
        options += [centre] if scales else []
    lines = [
        "[design]",
        f'family = "{family}"',
        *options,
        "# other families: fractional_factorial, plackett_burman, definitive_screening (which settings matter),",
        "# box_behnken, optimal (as many runs as you like, inside limits), split_plot, height_stacked, small_steps",
        "",
        "[model]",
        f'terms = "{terms}"',
        _row('# blocks = "random"', "prints of one plate or day share its luck: block in runs.csv"),
        _row('# random = ["spool"]', "further columns of runs.csv whose prints share luck"),
        "",
        "[window]",
        _row("confidence = 0.90", "chance that one new part meets every limit, at least"),
        _row("other_printers = false", "true: for printers whose thermometers differ as well"),
        "",
    ]
    return "\n".join(lines)
