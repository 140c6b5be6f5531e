"""What to do next, on the page, at the prompt and in ``results.json``."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from kit.analysis import Analysis, analyse
from kit.errors import DesignError
from kit.report.document import Block, Group, Sentences, Table
from kit.report.plan_confirm import Round, make_confirmation, write_round
from kit.report.wording import number, setting, settings_line, spoken
from kit.saying import counted, percent
from kit.study.progress import planned_runs
from kit.window.next_round import CONFIRM, STOP, Suggestion
from kit.window.verdict import CONFIRMATION

_LEADS = {
    "move": "Move: print beyond what was tried.",
    "add": "Add runs.",
    "confirm": "Confirm.",
    "stop": "Stop here.",
}


def show_next(analysis: Analysis) -> Group:
    """Show the suggestion with its reason, cost and runs; nothing is ever written by it."""
    found = analysis.suggestion
    if found is None:
        return Group((Sentences((_not_yet(analysis),)),))
    blocks: list[Block] = [Sentences(tuple(next_sentences(analysis, found)))]
    if len(found.runs):
        blocks.append(_runs_table(analysis, found))
        how = "plan STUDY --confirm" if found.action == CONFIRM else "plan STUDY --next"
        text = f"This is a suggestion. Nothing is written until you ask for it: testprint {how} adds these runs to runs.csv."
        blocks.append(Sentences((text,), tone="minor"))
    return Group(tuple(blocks))


def _not_yet(analysis: Analysis) -> str:
    """Say why there is no suggestion yet."""
    if planned_runs(analysis.data.runs):
        return "Finish this round first: print what is planned and measure it."
    return "There is no answer to go on from yet: the report says what is missing."


def next_sentences(analysis: Analysis, found: Suggestion) -> list[str]:
    """Give the suggestion as sentences: what, why, cost, gain, how sure."""
    said = [f"{_LEADS[found.action]} {found.reason}"]
    if len(found.runs):
        said.append(f"It takes {_cost(found)}.")
    if found.chance_now is not None and found.chance_then is not None:
        gain = 100 * (found.chance_then - found.chance_now)
        if gain >= 0.5:
            said.append(
                f"Best chance now {percent(found.chance_now)}; after these runs about {percent(found.chance_then)} is expected."
            )
        else:
            said.append(
                f"Best chance now {percent(found.chance_now)}; these runs are not expected to raise it, only to make it surer."
            )
    return [*said, *found.notes]


def _cost(found: Suggestion) -> str:
    parts = [counted(len(found.runs), "print")]
    if found.grams is not None:
        parts.append(f"about {found.grams:.0f} g of filament")
    if found.hours is not None:
        parts.append(f"{number(found.hours, 1)} h of printing")
    return ", ".join(parts)


def _runs_table(analysis: Analysis, found: Suggestion) -> Table:
    study = analysis.study
    same = found.runs.drop_duplicates()
    rows = tuple(
        (
            str(i + 1),
            *(setting(f, row[f.name]) for f in study.factors),
            str(int((found.runs == pd.Series(row)).all(axis=1).sum())),
        )
        for i, row in enumerate(same.to_dict("records"))
    )
    columns = ("", *(spoken(f.name) for f in study.factors), "prints")
    numeric = tuple(range(1, len(columns)))
    return Table(columns, rows, "The runs that are suggested.", numeric=numeric)


def next_text(folder: str | Path) -> str:
    """Give what ``testprint next`` prints.

    Returns
    -------
    str
    """
    analysis = analyse(folder)
    found = analysis.suggestion
    if found is None:
        return f"{_not_yet(analysis)} (testprint status STUDY says where it stands.)"
    lines = next_sentences(analysis, found)
    if found.action == CONFIRM:
        lines.append(f"Settings: {_line(analysis, found.runs.to_dict('records')[0])}.")
    else:
        lines += [f"  {_line(analysis, row)}" for row in found.runs.to_dict("records")]
    return "\n".join(lines)


def _line(analysis: Analysis, row: Mapping[Hashable, Any]) -> str:
    return settings_line(analysis.study, {str(k): v for k, v in row.items()})


def make_next_round(folder: str | Path) -> Round:
    """Write the runs of the suggestion, because somebody asked for it.

    Parameters
    ----------
    folder : str or Path
        A study folder.

    Returns
    -------
    Round

    Raises
    ------
    StudyError
        If the study has problems.
    DesignError
        If the round is not finished, runs wait to be printed, or the suggestion is to stop. Nothing is written then.
    """
    folder = Path(folder)
    analysis = analyse(folder)
    found = analysis.suggestion
    if found is None and not planned_runs(analysis.data.runs):
        raise DesignError(f"{_not_yet(analysis)} Nothing was changed.")
    if found is None or bool((analysis.data.runs["status"] == "planned").any()):
        raise DesignError(
            "runs are still planned; print them or delete their rows first. Nothing was changed."
        )
    if found.action == STOP:
        raise DesignError(f"no further runs are suggested: {found.reason} Nothing was changed.")
    if found.action == CONFIRM:
        return make_confirmation(folder, len(found.runs))[1]
    return write_round(folder, analysis.data, _round_name(analysis.data.runs), found.runs)


def _round_name(runs: pd.DataFrame) -> str:
    """Name the next round by its number."""
    rounds = [r for r in runs["round"].unique() if r != CONFIRMATION]
    number_ = len(rounds) + 1
    while str(number_) in rounds:
        number_ += 1
    return str(number_)


def next_numbers(analysis: Analysis) -> dict[str, Any] | None:
    """Give the object ``next`` of ``results.json``.

    Returns
    -------
    dict or None
    """
    found = analysis.suggestion
    if found is None:
        return None
    return {
        "action": found.action,
        "reason": found.reason,
        "runs": found.runs.to_dict("records"),
        "grams": found.grams,
        "hours": found.hours,
        "chance_now": found.chance_now,
        "chance_then": found.chance_then,
        "notes": list(found.notes),
    }
