"""Settings on other printers, as the page shows them and as they stand in ``results.json``."""

from __future__ import annotations

from typing import Any

from kit.analysis import Analysis
from kit.report.document import Block, Group, Sentences, Table
from kit.report.wording import decimals_for, number, settings_line
from kit.saying import percent, stated_percent, with_unit
from kit.study.description import Study
from kit.window.elsewhere import Elsewhere, Transfer
from kit.window.result import Window


def show_other_printers(analysis: Analysis) -> Group:
    """Show what the settings do on printers whose thermometers read differently."""
    window, study = analysis.window, analysis.study
    found = None if window is None else window.elsewhere
    if found is None:
        text = "Nothing can be said of other printers: " + (
            "there is no answer yet."
            if window is None
            else "no factor is a nozzle temperature."
            if any(r.has_limits for r in study.responses)
            else "nothing is required."
        )
        return Group((Sentences((text,), tone="minor"),))
    blocks: list[Block] = [_sides_table(found, study), Sentences(tuple(_said(found, study)))]
    blocks.append(_transmitted_table(found, study))
    return Group(tuple(blocks))


def _sides_table(found: Elsewhere, study: Study) -> Table:
    other = found.for_elsewhere
    same = other is not None and dict(other.settings) == dict(found.for_home.settings)
    sides = [("best at home" if other else "chosen", found.for_home)]
    if other is not None and not same:
        sides.append(("best elsewhere", other))
    if same:
        sides = [("best at home and elsewhere", found.for_home)]
    rows = tuple(
        (
            name,
            settings_line(study, t.settings),
            percent(t.home),
            percent(t.average),
            f"{percent(t.worst)} ({_difference(t.worst_difference)})"
            if t.worst_difference
            else percent(t.worst),
            percent(t.share),
        )
        for name, t in sides
    )
    goal = stated_percent(study.window.confidence)
    columns = (
        "Settings",
        "",
        "Here",
        "Elsewhere on average",
        "At the worst difference",
        f"Printers that reach {goal}",
    )
    caption = (
        f"Other printers' thermometers differ from this one's by less than {found.offset:g} °C in 95 of 100. A temperature that "
        "nobody tried counts as not met."
    )
    return Table(columns, rows, caption, numeric=(2, 3, 4, 5))


def _difference(degrees: float) -> str:
    return f"{abs(degrees):.0f} °C {'hotter' if degrees > 0 else 'colder'}"


def _said(found: Elsewhere, study: Study) -> list[str]:
    other = found.for_elsewhere
    shown = other or found.for_home
    if other is None:
        text = (
            "The settings were chosen for this printer. With other_printers = true under [window] in study.toml they are "
            "chosen for printers whose thermometers differ as well."
        )
    elif dict(other.settings) == dict(found.for_home.settings):
        text = "What is best at home is best on other printers too."
    else:
        text = (
            f"Settings that hold elsewhere differ from those best at home: they give up "
            f"{_points(found.for_home.home - other.home)} here and gain {_points(other.average - found.for_home.average)} "
            "on other printers."
        )
    said = [text]
    if shown.untried > 0.005:
        said.append(
            f"{percent(shown.untried)} of printers would run outside of the temperatures tried; a wider range would tell more."
        )
    return said


def _points(difference: float) -> str:
    points = max(100 * difference, 0.0)
    return f"{points:.1f} points of chance" if points >= 0.1 else "next to nothing"


def _transmitted_table(found: Elsewhere, study: Study) -> Table:
    rows = []
    for one in found.transmitted:
        response = study.response_named(one.response)
        places = decimals_for(4 * one.own)

        def sd(value: float, places: int = places, unit: str = response.unit) -> str:
            return with_unit(number(value, places), unit)

        rows.append((response.title, sd(one.own), sd(one.setting), sd(one.thermometer)))
    caption = (
        "Scatter (SD) of one part at these settings, and what the settings themselves hand on: all of them off by up to half a "
        "step; the thermometers of other printers."
    )
    columns = ("Response", "One part", "Settings off by half a step", "Other thermometers")
    return Table(columns, tuple(rows), caption, numeric=(1, 2, 3), folded=True)


def other_printers_numbers(window: Window | None) -> dict[str, Any] | None:
    """Give the object ``other_printers`` of ``results.json``.

    Returns
    -------
    dict or None
    """
    found = None if window is None else window.elsewhere
    if found is None:
        return None
    other = found.for_elsewhere
    return {
        "thermometer_offset": found.offset,
        "averaged": other is not None,
        "home": _numbers(found.for_home),
        "elsewhere": None if other is None else _numbers(other),
        "transmitted": {
            t.response: {
                "part_sd": t.own,
                "settings_sd": t.setting,
                "thermometer_sd": t.thermometer,
            }
            for t in found.transmitted
        },
    }


def _numbers(one: Transfer) -> dict[str, Any]:
    return {
        "settings": dict(one.settings),
        "home": one.home,
        "average": one.average,
        "worst": one.worst,
        "worst_difference": one.worst_difference,
        "share": one.share,
        "untried": one.untried,
    }
