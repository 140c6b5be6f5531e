"""How far the measuring has come."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from kit.study.description import Study
from kit.study.quantities import is_complete
from kit.words import CONFIRMATION

MOST_NAMES = 20


def runs_measured(study: Study, readings: pd.DataFrame) -> dict[str, set[str]]:
    """Give, for each response, the runs with at least one specimen that has all the readings needed.

    Parameters
    ----------
    study : Study
        The description.
    readings : DataFrame
        As `kit.study.data.StudyData.readings`; excluded readings do not count.

    Returns
    -------
    dict of response name to set of str
    """
    used = readings.loc[
        readings["excluded"] == "", ["response", "run", "specimen", "part"]
    ].drop_duplicates()
    parts: dict[tuple[str, str, str], set[str]] = {}
    for response, run, specimen, part in used.itertuples(index=False, name=None):
        parts.setdefault((response, run, specimen), set()).add(part)
    found: dict[str, set[str]] = {r.name: set() for r in study.responses}
    for (name, run, _), have in parts.items():
        if is_complete(study.response_named(name), have):
            found[name].add(run)
    return found


def planned_runs(runs: pd.DataFrame) -> int:
    """Count the runs that are still to be printed before the answer stands, confirming prints left out."""
    return int(((runs["status"] == "planned") & (runs["round"] != CONFIRMATION)).sum())


def unread_prints(study: Study, runs: pd.DataFrame, readings: pd.DataFrame) -> list[str]:
    """Say which printed runs lack readings, of all or of single responses.

    Parameters
    ----------
    study : Study
        The description.
    runs, readings : DataFrame
        As `kit.study.data.StudyData` says.

    Returns
    -------
    list of str
        Plain sentences; none when every printed run is measured.
    """
    printed = list(runs.loc[runs["status"] == "printed", "run"])
    read = runs_measured(study, readings)
    without = [run for run in printed if all(run not in have for have in read.values())]
    if printed and len(without) == len(printed):
        return ["None of the printed runs is measured completely yet."]
    notices = [f"Printed but not yet measured: {_named(without)}."] if without else []
    for name, have in read.items():
        lacking = [run for run in printed if run not in have and run not in without]
        if lacking:
            notices.append(f"{name}: no complete reading of {_named(lacking)}.")
    return notices


def _named(runs: Sequence[str]) -> str:
    """Name some runs, not hundreds."""
    if len(runs) == 1:
        return f"run {runs[0]}"
    more = f" and {len(runs) - MOST_NAMES} more" if len(runs) > MOST_NAMES else ""
    return f"runs {', '.join(runs[:MOST_NAMES])}{more}"
