"""Plain sentences that belong to the answer: what weakens it, what was assumed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import floor

import numpy as np

from kit.model.special_words import special_sentences
from kit.model.surface import Surface
from kit.printer import setting_limits
from kit.saying import listed, setting
from kit.study.description import Factor, Study
from kit.window.printers import narrow_range_note, nozzle_place
from kit.window.probability import Forecast, are_alike, with_limits
from kit.window.rectangle import MOST_RESPONSES
from kit.window.result import Setting
from kit.window.settable import PrintableGrid

SWING = 0.2
"""A requirement whose own chance varies less than this over the region chooses no setting."""

LACK_OF_FIT = 0.05
"""Below this p-value a lack of fit puts a caution on the answer."""


def standing_notes(surfaces: Mapping[str, Surface], study: Study, forecast: Forecast) -> list[str]:
    """Say what holds whatever the answer is."""
    return [
        *_missing(surfaces, study),
        *_poor_fit(surfaces),
        *(said for surface in surfaces.values() for said in special_sentences(surface)),
        *_weak_effects(surfaces, forecast),
        *_blocks(surfaces),
        *_independence(surfaces, forecast),
        *_other_printers(study),
    ]


def _missing(surfaces: Mapping[str, Surface], study: Study) -> list[str]:
    absent = [r.title for r in study.responses if r.has_limits and r.name not in surfaces]
    text = f"No fitted results for {listed(absent)}: that requirement is not part of the chance."
    return [text] if absent else []


def _poor_fit(surfaces: Mapping[str, Surface]) -> list[str]:
    notes = []
    for surface in surfaces.values():
        test = surface.lack_of_fit
        if test is not None and test.p < LACK_OF_FIT:
            notes.append(
                f"Caution: the surface of {surface.stated.title} misses the prints by more than prints made alike "
                f"differ (lack of fit, p = {test.p:.2g}); the chance and the settings may be off."
            )
    return notes


def _weak_effects(surfaces: Mapping[str, Surface], forecast: Forecast) -> list[str]:
    """Warn of choosing the best of many where the differences between settings may be luck."""
    if not len(forecast.mean):
        return []
    swing = dict(zip(forecast.names, np.ptp(forecast.alone, axis=0), strict=True))
    weak = [
        surfaces[name].stated.title
        for name, width in swing.items()
        if width > SWING and surfaces[name].r2_predicted < 0
    ]
    text = (
        f"Caution: the surface of {listed(weak)} foretells left-out prints no better than their average does, so "
        "its effects hardly rise above the scatter; the best of many settings then tends to promise too much. "
        "Confirm it with new prints."
    )
    return [text] if weak else []


def _blocks(surfaces: Mapping[str, Surface]) -> list[str]:
    notes = []
    if any(s.block_names for s in surfaces.values()):
        notes.append(
            "The chance speaks of an average block (plate, day ...) of this study; in another block a part may lie "
            "higher or lower."
        )
    names = dict.fromkeys(n for s in surfaces.values() if s.mixed for n in s.mixed.names)
    if names:
        which = listed(
            [
                f"{spoken(n)} (plate, day, change of setting)" if n == "block" else spoken(n)
                for n in names
            ]
        )
        notes.append(
            f"The chance is that of a part from a future {which}: how these differ is counted, as far as this study "
            "shows it."
        )
    return notes


def _independence(surfaces: Mapping[str, Surface], forecast: Forecast) -> list[str]:
    """Say how responses go together that do not rest on the same terms and runs, and why chances were multiplied."""
    notes = []
    titles = [surfaces[n].stated.title for n in forecast.names]
    for cluster in forecast.clusters:
        notes.append(
            f"{listed([titles[i] for i in sorted(cluster.members)])} do not all rest on the same terms and runs; how they go together is judged by "
            "the prints that they share, and each keeps its own chance."
        )
    passing = [t for n, t in zip(forecast.names, titles, strict=True) if n in forecast.outcomes]
    if passing and len(forecast.names) > 1:
        notes.append(
            f"Whether a part passes or fails ({listed(passing)}) counts as independent of the other requirements at the same settings: its chance is "
            "multiplied."
        )
    if len(forecast.measured_units) < 2:
        return notes
    fitted = [s for s in with_limits(surfaces).values() if s.success is None]
    names = listed([s.stated.title for s in fitted])
    multiplied = "the chances are multiplied, as if one said nothing about the other."
    first, *others = fitted
    if not all(are_alike(first, s) for s in others):
        reason = f"{names} do not all rest on the same terms and runs, and share too few spare prints or are fitted in different ways: where that is so, {multiplied}"
    elif len(fitted) > MOST_RESPONSES:
        reason = f"Too many requirements to reckon with how {names} move together: {multiplied}"
    else:
        reason = f"Too few spare runs to judge how {names} move together: {multiplied}"
    return [*notes, reason]


def _other_printers(study: Study) -> list[str]:
    if not study.window.other_printers:
        return []
    if nozzle_place(study) is None:
        return [
            (
                "Other printers were asked for, but no factor is a nozzle temperature, so their thermometers change nothing "
                "here; other differences between printers are not counted."
            )
        ]
    text = (
        "The chance is an average over other printers, whose nozzle thermometers differ from this one's by less than "
        f"{study.printer.thermometer_offset:g} °C in 95 of 100; other differences between printers are not counted."
    )
    narrow = narrow_range_note(study)
    return [text, narrow] if narrow else [text]


def range_notes(
    study: Study, grid: PrintableGrid, ranges: Mapping[str, tuple[Setting, Setting]]
) -> list[str]:
    """Say where the window is thinner than a step, and where it ends only because nothing was tried beyond."""
    notes = []
    edges = []
    for factor, axis in zip(study.factors, grid.axes, strict=True):
        if factor.is_category or factor.name not in ranges:
            continue
        low, high = ranges[factor.name]
        if low == high and len(axis) > 1:
            notes.append(
                f"The window is narrower than one settable step of {spoken(factor.name)}: it must be {setting(low, factor.unit)} exactly."
            )
        ends = _open_ends(factor, study, axis, (low, high))
        if ends:
            edges.append(f"{spoken(factor.name)} ({' and '.join(ends)} end)")
    if edges:
        notes.append(
            f"The window reaches the end of what was tried for {listed(edges)}; what lies beyond, nobody knows yet."
        )
    return notes


def _open_ends(
    factor: Factor, study: Study, axis: Sequence[Setting], ends: tuple[Setting, Setting]
) -> list[str]:
    """Name the ends of a range that end with what was tried, though the printer could go on."""
    stops = setting_limits(factor, study)[:2]
    step = float(axis[1]) - float(axis[0]) if len(axis) > 1 else 0.0
    found = []
    if ends[0] == axis[0] and float(axis[0]) - step >= stops[0]:
        found.append("low")
    if ends[1] == axis[-1] and float(axis[-1]) + step <= stops[1]:
        found.append("high")
    return found


def best_reached(
    study: Study, settings: Mapping[str, Setting], chance: float, confidence: float
) -> str:
    """Say how high the chance gets where it does not reach the confidence."""
    if chance < 0.01:
        return f"No printable setting in the tried region reaches {100 * confidence:g} %, and none even 1 %."
    units = {f.name: "" if f.is_category else f.unit for f in study.factors}
    where = ", ".join(f"{spoken(n)} {setting(v, units[n])}" for n, v in settings.items())
    return (
        f"No printable setting in the tried region reaches {100 * confidence:g} %; the highest chance there "
        f"is {floor(1000 * chance) / 10:g} %, at {where}."
    )


def spoken(name: str) -> str:
    """Give a column's name as words."""
    return name.replace("_", " ")
