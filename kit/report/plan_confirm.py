"""Plan a further round and write it: confirming prints, or the runs of a suggestion that somebody accepts."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from kit.analysis import Analysis, analyse
from kit.bench.cautions import cautions_for
from kit.bench.sheet import bench_sheet, measuring_sheet
from kit.design.order import order_runs, readings_to_fill
from kit.errors import ConfirmError
from kit.printer import PrintAssessment, assess_prints
from kit.report.plan import SHEETS
from kit.study.append import append_runs
from kit.study.data import StudyData
from kit.study.description import Study
from kit.study.folder import RUNS_FILE, write_whole
from kit.window.confirm import USUAL
from kit.window.confirm_plan import ConfirmationPlan, plan_confirmation
from kit.window.verdict import CONFIRMATION


@dataclass(frozen=True)
class Round:
    """Runs of a further round, written.

    Attributes
    ----------
    name : str
        Of the round.
    runs, to_fill : DataFrame
        Rows added to ``runs.csv``; readings to take.
    to_fill_name : str
        File that lists them.
    assessment : PrintAssessment
        What the printer will do with each run.
    """

    name: str
    runs: pd.DataFrame
    to_fill: pd.DataFrame
    to_fill_name: str
    assessment: PrintAssessment

    @property
    def files(self) -> tuple[str, ...]:
        """What was written: the runs, the readings to take, the sheets to print."""
        stem = round_stem(self.name)
        sheets = (f"{SHEETS}/bench-{stem}.html", f"{SHEETS}/measuring-{stem}.html")
        return (RUNS_FILE, self.to_fill_name, *sheets)


def round_stem(name: str) -> str:
    """Give a round's name as part of a file name."""
    return "".join(c if c.isalnum() else "-" for c in name)


def make_confirmation(folder: str | Path, prints: int = USUAL) -> tuple[ConfirmationPlan, Round]:
    """Plan confirming prints at the recommended settings and add them to ``runs.csv``.

    Parameters
    ----------
    folder : str or Path
        A study folder.
    prints : int
        How many.

    Returns
    -------
    ConfirmationPlan, Round

    Raises
    ------
    StudyError
        If the study has problems.
    ConfirmError
        If nothing is recommended, the round is not finished, or confirming prints are planned already.
        Nothing is written then.
    """
    folder = Path(folder)
    analysis = analyse(folder)
    plan = propose_confirmation(analysis, prints)
    waiting = waiting_prints(analysis)
    if waiting:
        raise ConfirmError(
            f"{waiting} confirming prints are planned already and not printed yet; nothing was changed. Print "
            "them, or delete their rows from runs.csv."
        )
    rows = [dict(plan.settings) for _ in range(prints)]
    return plan, write_round(folder, analysis.data, CONFIRMATION, pd.DataFrame(rows))


def waiting_prints(analysis: Analysis) -> int:
    """Count the confirming prints that are planned and not printed yet."""
    runs = analysis.data.runs
    return int(((runs["round"] == CONFIRMATION) & (runs["status"] == "planned")).sum())


def propose_confirmation(analysis: Analysis, prints: int = USUAL) -> ConfirmationPlan:
    """Plan confirming prints at the recommended settings; writes nothing.

    Returns
    -------
    ConfirmationPlan

    Raises
    ------
    ConfirmError
        If nothing is recommended or the round is not finished.
    """
    window = analysis.window
    if window is None or window.recommended is None:
        raise ConfirmError(
            "no settings are recommended, so there is nothing to confirm; the report says what stands in the way. "
            "Nothing was changed."
        )
    if analysis.interim:
        raise ConfirmError(
            "runs of this round are still planned and their results may change the answer: print them, mark them "
            "failed or delete their rows first. Nothing was changed."
        )
    if not 1 <= prints <= 500:
        raise ConfirmError(f"confirming prints: found {prints}, allowed are 1 to 500.")
    return plan_confirmation(
        analysis.judged, analysis.study, window.recommended.settings, prints=prints
    )


def write_round(folder: Path, data: StudyData, name: str, settings: pd.DataFrame) -> Round:
    """Add planned runs as a new round with blocks of its own, and write their sheets.

    Parameters
    ----------
    folder : Path
        The study folder.
    data : StudyData
        What was taken in from it.
    name : str
        Of the round.
    settings : DataFrame
        One row a run, one column a factor.

    Returns
    -------
    Round
    """
    study, before = data.study, data.runs
    rng = np.random.default_rng([study.seed, len(before)])
    fresh = _labelled(study, before, name, settings, rng)
    to_fill = readings_to_fill(study, fresh, rng)
    assessment = assess_prints(study, fresh)
    stem = round_stem(name)
    to_fill_name = f"readings-to-fill-{stem}.csv"
    append_runs(folder, fresh, to_fill, to_fill_name)
    sheets = folder / SHEETS
    sheets.mkdir(exist_ok=True)
    page = bench_sheet(study, fresh, assessment, cautions_for(study, fresh))
    write_whole(sheets / f"bench-{stem}.html", page)
    write_whole(sheets / f"measuring-{stem}.html", measuring_sheet(study, to_fill))
    return Round(name, fresh, to_fill, to_fill_name, assessment)


def _labelled(
    study: Study,
    before: pd.DataFrame,
    name: str,
    settings: pd.DataFrame,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Shuffle the runs; number runs, blocks and print order on from those that are there."""
    runs = settings[list(study.coding.names)].copy()
    runs.insert(0, "round", name)
    runs.insert(1, "block", int(before["block"].max()) + 1 if len(before) else 1)
    runs["status"], runs["note"] = "planned", ""
    last = int(before["print_order"].max()) if len(before) else 0
    ordered = order_runs(runs, rng, study=study, first_run=last + 1)
    taken = set(before["run"])
    while taken & set(ordered["run"]):
        ordered["run"] = [f"{r}{name[:1]}" for r in ordered["run"]]
    columns = ["run", "round", "block", "print_order", *study.coding.names, "status", "note"]
    return ordered[columns]
