"""Good for, not good for, and how to adopt: plain sentences from a study's numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from kit.bench.cautions import OUT_OF_SCOPE
from kit.report.standing import Standing
from kit.report.wording import decimals_for, interval, requirement, setting, settings_line, spoken
from kit.saying import listed, percent
from kit.study.description import Study


def choice_of(results: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """Give the settings that the report shows: recommended, else the best compromise."""
    return results.get("recommended") or results.get("best_compromise")


def good_for(study: Study, results: Mapping[str, Any]) -> tuple[str, ...]:
    """Say what the settings are good for.

    Returns
    -------
    tuple of str
    """
    items = [f"{study.scope.strip().rstrip('.')}."] if study.scope.strip() else []
    recommended = results.get("recommended")
    if recommended:
        wanted = [f"{r.title} {requirement(r)}" for r in study.judged]
        goal = percent(results["window"]["confidence"])
        items.append(
            f"Parts that need {listed(wanted)}, where a chance of {goal} for each new part is enough."
        )
        ranges = results["window"].get("ranges") or {}
        shown = [
            f"{spoken(f.name)} {_range(study, f.name, ranges[f.name])}"
            for f in study.factors
            if f.name in ranges and ranges[f.name][0] != ranges[f.name][1]
        ]
        if shown:
            items.append(f"Settings may move a little: {', '.join(shown)} all reach that chance.")
    return tuple(items)


def not_good_for(study: Study, results: Mapping[str, Any], standing: Standing) -> tuple[str, ...]:
    """Say what the settings are not good for.

    Returns
    -------
    tuple of str
    """
    items = [] if standing.usable else [standing.sentence]
    compromise = results.get("best_compromise") if not results.get("recommended") else None
    if compromise:
        goal = percent(results["window"]["confidence"])
        items.append(
            f"Parts that must meet everything with {goal} chance: nothing that was tried reaches it."
        )
        if compromise.get("binding"):
            title = study.response_named(compromise["binding"]).title
            items.append(f"What stands in the way most: {title}.")
    offset = study.printer.thermometer_offset
    spool = study.material.name or study.material.polymer or "this spool"
    items.append(
        f"Another printer or spool unseen: thermometers of two printers easily differ by {offset:g} °C, "
        f"and only {spool} was tried. See how to adopt, below."
    )
    items.append(
        f"Settings outside what was tried ({_tried(study)}): nobody knows what happens there."
    )
    items.append(
        f"{OUT_OF_SCOPE[:1].upper()}{OUT_OF_SCOPE[1:]}: out of scope, whatever the results."
    )
    return tuple(items)


def how_to_adopt(study: Study, results: Mapping[str, Any]) -> tuple[str, ...]:
    """Say how somebody else takes the settings over.

    Returns
    -------
    tuple of str
        Steps, in order; empty when the report shows no settings.
    """
    choice = choice_of(results)
    if choice is None:
        return ()
    printer = study.printer
    steps = [
        (
            f"Compare your printer with the table at the top: same nozzle ({printer.nozzle_diameter:g} mm), layer "
            f"({printer.layer_height:g} mm) and polymer? If not, treat this page as a starting point only."
        ),
        f"Set {settings_line(study, choice['settings'])}, and stay inside the range printed on your spool.",
        "Print three pieces on different days and measure them as the study did.",
        *_expected(study, choice),
    ]
    if any(f.kind == "nozzle_temperature" for f in study.factors):
        steps.append(
            "If they lie on one side of that, your thermometer may differ: try the nozzle one step warmer or cooler, "
            "within the range on the spool, and measure again."
        )
    steps.append(
        "Write what you found on the page for remarks, with your printer and spool, also when it did not work."
    )
    return tuple(steps)


def _expected(study: Study, choice: Mapping[str, Any]) -> list[str]:
    ranges = []
    for response in study.responses:
        foretold = choice["predictions"].get(response.name)
        if response.passes_or_fails:
            continue
        if foretold and foretold["low"] is not None:
            high = math.inf if foretold["high"] is None else foretold["high"]
            places = decimals_for(high - foretold["low"])
            ranges.append(
                f"{response.title} {interval(foretold['low'], high, response.unit, places)}"
            )
    return (
        [f"On the printer of this study 95 of 100 parts would show {listed(ranges)}."]
        if ranges
        else []
    )


def _range(study: Study, name: str, ends: list[float | str]) -> str:
    factor = study.factor_named(name)
    return f"{setting(factor, ends[0])} to {setting(factor, ends[1])}"


def _tried(study: Study) -> str:
    parts = []
    for factor in study.factors:
        if factor.is_category:
            parts.append(f"{spoken(factor.name)} {listed(factor.levels, 'or')}")
        elif factor.low is not None and factor.high is not None:
            parts.append(
                f"{spoken(factor.name)} {setting(factor, factor.low)} to {setting(factor, factor.high)}"
            )
    return ", ".join(parts)
