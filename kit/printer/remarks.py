"""What to say of a run before it is printed: hard stops, reach, layer time, melting, common practice.

A remark is a verdict and a sentence; remarks of one kind are gathered into findings on the whole plan.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf, isfinite
from typing import Any

import pandas as pd

from kit.printer.physics import effective_speed, plain
from kit.study.description import Factor, Study
from kit.words import conversion, unit_label

FINE, LOOK_TWICE, NOT_POSSIBLE = "fine", "look twice", "not possible"
"""The three verdicts; not possible = the printer cannot print it as set."""

FAN_DEAD_ZONE = 15.0
"""Below about 10 to 15 % duty many fans do not turn; common practice, no source."""
NEAR_MELT_LIMIT = 0.9
"""From this share of the melt limit on a run is worth a second look; common practice, no source."""
SAME_SPEED = 0.02
"""A speed held to within this share counts as reached; our choice."""
SAME_TREATMENT = 0.1
"""Two speed levels of which less than this share of the difference is real are one treatment; our choice."""
THICK_LAYER = 0.8
"""Layers above about this share of the nozzle's bore bond badly; common practice, no source."""


@dataclass(frozen=True)
class Remark:
    """Something to say of one run; ``key`` gathers remarks of a kind over the plan."""

    key: str
    verdict: str
    text: str
    size: float = 0.0


def setting_limits(factor: Factor, study: Study) -> tuple[float, float, str, str]:
    """Give the lowest and highest setting allowed, and why each.

    The factor's own min and max, the printer's hard stops (nozzle and bed temperature), 0 to 100 % for
    a fan, and nothing below zero for speed, layer height and flow.

    Parameters
    ----------
    factor : Factor
        On a scale, not a category.
    study : Study
        For the printer card.

    Returns
    -------
    low, high : float
        Natural units; infinite where nothing limits.
    why_low, why_high : str
        What sets the limit, such as ``nozzle_max``.
    """
    low, high, why_low, why_high = -inf, inf, "", ""
    if factor.kind in ("speed", "layer_height", "flow", "fan_duty"):
        low, why_low = 0.0, "zero"
    if factor.kind == "fan_duty":
        high, why_high = 100.0, "full fan"
    stop = study.printer.hard_stop(factor.kind)
    if stop is not None:
        high, why_high = stop[1], f"{stop[0]}, the hard stop of the printer"
    if factor.min is not None and factor.min > low:
        low, why_low = factor.min, f"min of {factor.name}"
    if factor.max is not None and factor.max < high:
        high, why_high = factor.max, f"max of {factor.name}"
    return low, high, why_low, why_high


def print_path_mm(study: Study) -> float | None:
    """Give the path of one layer of the whole print, all its specimens, mm."""
    path = study.specimen.path_per_layer
    return None if path is None else path * study.specimen.specimens_per_print


def run_remarks(study: Study, row: Mapping[str, Any], figures: Mapping[str, Any]) -> list[Remark]:
    """Collect everything to say of one run, gravest kinds first."""
    remarks = [r for f in study.factors for r in _setting_remarks(study, f, row[f.name])]
    speeds = [f for f in study.factors if f.kind == "speed"]
    if speeds:
        remarks += _speed_remarks(study, float(row[speeds[0].name]), figures)
    return remarks + _melt_remarks(figures)


def _setting_remarks(study: Study, factor: Factor, value: float | str) -> list[Remark]:
    """Hold one setting against hard stops and common practice."""
    if factor.is_category:
        return []
    value = float(value)
    said = f"{factor.name} {value:g} {unit_label(factor.unit)}".strip()
    low, high, why_low, why_high = setting_limits(factor, study)
    tight = 1e-9 * max(1.0, abs(value))
    if value > high + tight:
        return [Remark("stop", NOT_POSSIBLE, f"{said} is above {high:g} ({why_high}).")]
    if value < low - tight:
        return [Remark("stop", NOT_POSSIBLE, f"{said} is below {low:g} ({why_low}).")]
    stated = study.material.stated_range
    if factor.kind == "nozzle_temperature" and stated and not stated[0] <= value <= stated[1]:
        where = f"{stated[0]:g} to {stated[1]:g} °C"
        return [
            Remark(
                "range", LOOK_TWICE, f"{said} is outside the range stated on the spool, {where}."
            )
        ]
    if factor.kind == "fan_duty" and 0 < value < FAN_DEAD_ZONE:
        text = f"{said} is low: below about 10 to 15 % many fans do not turn at all."
        return [Remark("fan", LOOK_TWICE, text)]
    return _layer_remarks(study, factor, value, said) if factor.kind == "layer_height" else []


def _layer_remarks(study: Study, factor: Factor, value: float, said: str) -> list[Remark]:
    height, printer = value * (conversion(factor.unit, "mm") or 1.0), study.printer
    if height > printer.line_width:
        text = f"{said} is more than the line is wide ({printer.line_width:g} mm): such a line cannot be laid."
        return [Remark("layer", NOT_POSSIBLE, text)]
    if height > THICK_LAYER * printer.nozzle_diameter:
        text = (
            f"{said} is thick for a {printer.nozzle_diameter:g} mm nozzle; layers may bond badly."
        )
        return [Remark("layer", LOOK_TWICE, text)]
    return []


def _speed_remarks(study: Study, speed: float, figures: Mapping[str, Any]) -> list[Remark]:
    """Say what becomes of the set speed: slowed down, not reached, or held on a part only."""
    path, effective = print_path_mm(study), float(figures["effective_speed_mm_s"])
    slowed = (
        speed
        if path is None
        else float(effective_speed(speed, path, study.specimen.min_layer_time))
    )
    peak, share = float(figures["peak_speed_mm_s"]), float(figures["share_at_speed"])
    if isfinite(peak) and peak < (1 - SAME_SPEED) * speed and peak <= slowed:
        text = (
            f"{speed:g} mm/s is not reached: {plain(peak)} mm/s at most on a straight of "
            f"{study.straight_path:g} mm. It prints, but as another speed."
        )
        return [Remark("reach", NOT_POSSIBLE, text)]
    if slowed < (1 - SAME_SPEED) * speed:
        text = (
            f"{speed:g} mm/s becomes {plain(effective)} mm/s, since a layer must last at least "
            f"{study.specimen.min_layer_time:g} s. It prints, but as another speed."
        )
        return [Remark("layer time", NOT_POSSIBLE, text)]
    if isfinite(share) and share < 0.5:
        text = f"{speed:g} mm/s is held over {100 * share:.0f} % of a straight of {study.straight_path:g} mm only."
        return [Remark("share", LOOK_TWICE, text)]
    return []


def _melt_remarks(figures: Mapping[str, Any]) -> list[Remark]:
    flow, limit = float(figures["throughput_mm3_s"]), float(figures["melt_limit_mm3_s"])
    if not isfinite(flow) or not isfinite(limit) or flow < NEAR_MELT_LIMIT * limit:
        return []
    said = f"{plain(flow)} mm³/s needed, {plain(limit)} mm³/s possible"
    if flow > limit * (1 + 1e-9):
        return [Remark("melt", NOT_POSSIBLE, f"too much to melt: {said}.", flow / limit)]
    return [Remark("melt near", LOOK_TWICE, f"close to the melt limit: {said}.", flow / limit)]


def plan_findings(remarks: Sequence[Sequence[Remark]], runs: Sequence[str]) -> list[str]:
    """Turn remarks on runs into findings on the plan: each said once, with its runs."""
    groups: dict[tuple[str, str], list[tuple[str, Remark]]] = {}
    for run, said in zip(runs, remarks, strict=True):
        for r in said:
            # Each run has its own throughput; one finding with the worst of them says it all.
            text = "" if r.key.startswith("melt") else r.text
            groups.setdefault((r.key, text), []).append((run, r))
    grave = sorted(groups.values(), key=lambda g: g[0][1].verdict != NOT_POSSIBLE)
    findings = []
    for group in grave:
        worst = max((r for _, r in group), key=lambda r: r.size)
        differ = len({r.text for _, r in group}) > 1
        more = " This is the worst of them." if differ else ""
        findings.append(f"{list_runs([run for run, _ in group])}: {worst.text}{more}")
    return findings


def list_runs(runs: Sequence[str]) -> str:
    """Name runs in words; many of them are counted.

    Returns
    -------
    str
        The start of a sentence.

    Examples
    --------
    >>> list_runs(["3"]), list_runs(["3", "7"]), list_runs([str(i) for i in range(12)])
    ('Run 3', 'Runs 3 and 7', '12 runs (0, 1, 2, ...)')
    """
    if len(runs) == 1:
        return f"Run {runs[0]}"
    if len(runs) <= 8:
        return f"Runs {', '.join(runs[:-1])} and {runs[-1]}"
    return f"{len(runs)} runs ({', '.join(runs[:3])}, ...)"


def same_treatments(study: Study, settings: pd.DataFrame, table: pd.DataFrame) -> list[str]:
    """Find neighbouring speed levels that the printer turns into one treatment."""
    speeds = [f for f in study.factors if f.kind == "speed"]
    if not speeds:
        return []
    real = table["effective_speed_mm_s"].groupby(settings[speeds[0].name]).mean().sort_index()
    levels, reached = real.index.to_numpy(dtype=float), real.to_numpy(dtype=float)
    found = []
    for i in range(len(levels) - 1):
        if reached[i + 1] - reached[i] < SAME_TREATMENT * (levels[i + 1] - levels[i]):
            found.append(
                f"{speeds[0].name} {levels[i]:g} and {levels[i + 1]:g} mm/s are the same treatment: the "
                f"printer really runs at {plain(reached[i])} and {plain(reached[i + 1])} mm/s. Lower the "
                "speeds, print a larger specimen or more specimens at a time."
            )
    return found
