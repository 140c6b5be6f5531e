"""Command text for those who set a run by hand or stack levels: plain lines of the open RepRap dialect, never sent.

M104/M109 nozzle target and wait, M140/M190 bed target and wait, M106/M107 fan 0 to 255 and off, M220 speed and
M221 flow in percent of what was sliced, as the RepRap wiki lists them (from memory). Text only: the kit
opens no port and talks to no printer.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from kit.errors import SettingLimitError
from kit.study.description import Factor, Study
from kit.words import unit_label

FULL_FAN = 255
RESET = (
    "M220 S100       ; speed back to 100 %",
    "M221 S100       ; flow back to 100 %",
    "M107            ; fan off",
    "M104 S0         ; nozzle heater off",
    "M140 S0         ; bed heater off",
)
"""Last lines of every file, so that nothing stays hot or odd after the run."""
_WIDTH = 16


def fan_value(duty: float) -> int:
    """Turn a fan duty in percent into 0 to 255.

    Returns
    -------
    int

    Raises
    ------
    SettingLimitError
        Outside 0 to 100 %.

    Examples
    --------
    >>> fan_value(40), fan_value(100)
    (102, 255)
    """
    if not 0 <= duty <= 100:
        raise SettingLimitError(f"fan duty {duty:g} % is not 0 to 100 %; no command text was made.")
    return round(FULL_FAN * duty / 100)


def run_snippet(
    study: Study, run: Mapping[str, Any], runs: int, *, sliced_speed: float | None = None
) -> str:
    """Write the commands of one run.

    Parameters
    ----------
    study : Study
        Factors and the printer card with its hard stops.
    run : mapping
        One row of the runs table.
    runs : int
        How many there are, for the heading.
    sliced_speed : float, optional
        Speed that the file was prepared with, in the factor's unit; default the middle of low and high.

    Returns
    -------
    str
        Lines with their line ends.

    Raises
    ------
    SettingLimitError
        If a temperature is above ``nozzle_max`` or ``bed_max``; no text is made then.
    """
    lines = [f"; run {run['run']} of {runs}. {_checks(study)}"]
    waits: list[str] = []
    for factor in study.factors:
        set_now, wait = _lines(study, factor, run[factor.name], sliced_speed)
        lines += set_now
        waits += wait
    lines += [*waits, "; ... the print ...", *RESET]
    return "\n".join(lines) + "\n"


def _checks(study: Study) -> str:
    stops = [
        f"{what} max {value:g}"
        if value is not None
        else f"{what} max not stated: check the printer's manual"
        for what, value in (("nozzle", study.printer.nozzle_max), ("bed", study.printer.bed_max))
    ]
    return f"Check against the printer card: {', '.join(stops)}."


def _lines(
    study: Study, factor: Factor, value: float | str, sliced_speed: float | None
) -> tuple[list[str], list[str]]:
    """Give the lines that set one factor, and those that wait for it."""
    if factor.kind == "nozzle_temperature":
        _refuse_hot(factor, float(value), study.printer.nozzle_max, "nozzle_max")
        target = f"{float(value):g}"
        return [_line(f"M104 S{target}", "nozzle target")], [
            _line(
                f"M109 R{target}",
                "wait for the nozzle, also when it cools; write S where R is not known",
            )
        ]
    if factor.kind == "bed_temperature":
        _refuse_hot(factor, float(value), study.printer.bed_max, "bed_max")
        return [_line(f"M140 S{float(value):g}", "bed target")], [
            _line(f"M190 S{float(value):g}", "wait for the bed")
        ]
    if factor.kind == "fan_duty":
        return [], [
            _line(
                f"M106 S{fan_value(float(value))}",
                f"fan {float(value):g} %; put it after the first layers",
            )
        ]
    if factor.kind == "speed":
        base = sliced_speed or factor.coded.middle
        share = f"{100 * float(value) / base:.0f}"
        return [], [
            _line(
                f"M220 S{share}",
                f"speed {float(value):g} {unit_label(factor.unit)} if prepared at {base:g}",
            )
        ]
    if factor.kind == "flow":
        return [], [_line(f"M221 S{float(value):g}", "flow in percent of what was prepared")]
    said = (
        f"{value} {unit_label(factor.unit)}".strip()
        if isinstance(value, str)
        else f"{float(value):g} {unit_label(factor.unit)}".strip()
    )
    return [f"; by hand or when preparing the file: {factor.name} {said}"], []


def _refuse_hot(factor: Factor, value: float, stop: float | None, name: str) -> None:
    if stop is not None and value > stop:
        raise SettingLimitError(
            f"{factor.name} {value:g} {unit_label(factor.unit)} is above {name} = {stop:g}, the hard stop of this printer; no command "
            "text was made. Lower the setting, or correct the printer card if it is wrong."
        )


def _line(command: str, meaning: str) -> str:
    return f"{command:<{_WIDTH}}; {meaning}"


def plan_snippets(study: Study, runs: pd.DataFrame, *, sliced_speed: float | None = None) -> str:
    """Write the commands of all runs, in print order; the levels of a stack one under the other.

    Parameters
    ----------
    study : Study
        The description.
    runs : DataFrame
        The runs table; failed and printed runs are left out.
    sliced_speed : float, optional
        As in `run_snippet`.

    Returns
    -------
    str

    Raises
    ------
    SettingLimitError
        If any run is beyond a hard stop; no text is made then.
    """
    waiting = runs[runs["status"] == "planned"].sort_values("print_order")
    head = [
        "; Text to copy, run by run; nothing here is sent to a printer. Preparing each run with its own settings is better",
        "; where you can: then the first layer, the fan and the layer time fit. The later command wins, so check that no",
        "; line of the prepared file sets the same again behind it. Stay with the printer while it is hot.",
        "",
    ]
    if study.design.family == "height_stacked":
        parts = [
            _stack(study, stack, sliced_speed) for _, stack in waiting.groupby("block", sort=False)
        ]
    else:
        rows = waiting.to_dict("records")
        parts = [
            run_snippet(
                study, {str(k): v for k, v in row.items()}, len(rows), sliced_speed=sliced_speed
            )
            for row in rows
        ]
    return "\n".join(head) + "\n".join(parts)


def _stack(study: Study, stack: pd.DataFrame, sliced_speed: float | None) -> str:
    """Write a stack: each level's lines, to be put at its first layer; no waiting inside the print."""
    block = stack["block"].iloc[0]
    lines = [f"; stack {block}: {len(stack)} levels, from the plate upwards. {_checks(study)}"]
    for i, row in enumerate(stack.to_dict("records")):
        lines.append(f"; level {i + 1} (run {row['run']}): at the first layer of this level")
        for factor in study.factors:
            set_now, wait = _lines(study, factor, row[factor.name], sliced_speed)
            is_first = i == 0
            if factor.hard_to_change and not is_first:
                continue
            lines += set_now + [w for w in wait if is_first or not w.startswith(("M109", "M190"))]
    return "\n".join([*lines, "; ... end of the print ...", *RESET]) + "\n"
