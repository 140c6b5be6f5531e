"""Add runs to a study by purpose: chosen, and written as a round of their own."""

from __future__ import annotations

from pathlib import Path

from kit.design.added import Added, add_runs, purpose_named
from kit.report.plan_confirm import Round, write_round
from kit.study.intake import take_in


def propose_added(folder: str | Path, purpose: str, number: int | None = None) -> Added:
    """Choose runs to add; writes nothing.

    Parameters
    ----------
    folder : str or Path
        A study folder with a plan.
    purpose : str
        What for, as `kit.design.added.purpose_named` understands it.
    number : int, optional
        How many.

    Returns
    -------
    Added

    Raises
    ------
    StudyError
        If the study has problems.
    UsageError
        If the purpose is not understood.
    DesignError
        If there is nothing to add to, or so few runs cannot serve the purpose.
    """
    meant = purpose_named(purpose)
    data = take_in(Path(folder))
    return add_runs(data.study, data.runs, meant, number)


def make_added(folder: str | Path, purpose: str, number: int | None = None) -> tuple[Added, Round]:
    """Choose runs to add and append them to ``runs.csv`` as a new round, with their sheets.

    Parameters and errors as for `propose_added`; nothing is written where one is raised.

    Returns
    -------
    Added, Round
    """
    added = propose_added(folder, purpose, number)
    data = take_in(Path(folder))
    rounds = set(data.runs["round"])
    name = next(n for i in range(1, len(rounds) + 2) if (n := f"added {i}") not in rounds)
    return added, write_round(Path(folder), data, name, added.settings)
