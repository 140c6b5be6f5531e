"""Which runs may confirm: made after the fit, at one setting, never used in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from kit.errors import ConfirmError
from kit.model.surface import Surface
from kit.saying import listed
from kit.study.description import Study
from kit.window.result import Setting
from kit.window.verdict import CONFIRMATION


def confirming_runs(
    runs: pd.DataFrame, surfaces: Mapping[str, Surface]
) -> tuple[pd.DataFrame, list[str]]:
    """Give the runs that may confirm, and why others of that round may not.

    Parameters
    ----------
    runs : DataFrame
        The whole runs table.
    surfaces : mapping of response name to Surface
        The fit that is to be confirmed.

    Returns
    -------
    runs : DataFrame
        Printed or failed runs of round ``confirmation`` that were made after every run of the fit.
    refused : list of str
        Plain sentences.
    """
    mine = runs[(runs["round"] == CONFIRMATION) & (runs["status"] != "planned")]
    used = [s.observations for s in surfaces.values()]
    last = max((int(o["print_order"].max()) for o in used if len(o)), default=0)
    early = mine[mine["print_order"] <= last]
    refused = []
    if len(early):
        names = listed([f"run {r}" for r in early["run"]])
        refused.append(
            f"{names} cannot confirm: printed before the last run that the answer rests on, so no new evidence "
            "for it. A confirming print is made afterwards."
        )
    return mine[mine["print_order"] > last], refused


def refuse_reused(names: Sequence[str], surfaces: Mapping[str, Surface]) -> None:
    """Refuse runs that the model was fitted to.

    Raises
    ------
    ConfirmError
        Naming all of them.
    """
    used = {str(r) for s in surfaces.values() for r in s.observations["run"]}
    again = [n for n in names if n in used]
    if again:
        verb = "was" if len(again) == 1 else "were"
        raise ConfirmError(
            f"{listed([f'run {n}' for n in again])} {verb} used to fit the model, so it would only confirm itself. "
            "Print the settings anew, on another day, as runs of round confirmation: testprint plan STUDY --confirm"
        )


def same(one: Mapping[str, object], other: Mapping[str, Setting]) -> bool:
    """Tell whether two sets of settings are the same."""
    return all(
        one[n] == v if isinstance(v, str) else abs(float(one[n]) - v) < 1e-9  # type: ignore[arg-type]
        for n, v in other.items()
    )


def at_one_setting(
    runs: pd.DataFrame, study: Study, recommended: Mapping[str, Setting] | None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Split off the runs at the recommended settings; where there are none, at the commonest ones."""
    names = list(study.coding.names)
    if recommended is not None:
        rows = runs[names].to_dict("records")
        mine = [
            i
            for i, row in enumerate(rows)
            if same({str(k): v for k, v in row.items()}, recommended)
        ]
        if mine:
            return runs.iloc[mine], runs.drop(runs.index[mine])
    if runs.empty:
        return runs, runs
    label = runs.groupby(names, sort=False).ngroup().to_numpy()
    common = label == np.bincount(label).argmax()
    return runs[common], runs[~common]


def other_notes(others: pd.DataFrame, chosen: pd.DataFrame, complete: Sequence[str]) -> list[str]:
    """Name runs that do not count: at other settings, not measured, failed."""
    notes = []
    if len(others):
        names = listed([f"run {r}" for r in others["run"]])
        notes.append(f"{names}: printed at other settings, so not counted here.")
    printed = chosen.loc[chosen["status"] == "printed", "run"].astype(str)
    lacking = [f"run {r}" for r in printed if r not in complete]
    if lacking:
        notes.append(f"{listed(lacking)}: not yet measured for every requirement, so not counted.")
    failed = chosen.loc[chosen["status"] == "failed", "run"]
    if len(failed):
        names = listed([f"run {r}" for r in failed])
        notes.append(
            f"{names} failed and gave no piece to measure; the chance speaks of prints that come out."
        )
    return notes
