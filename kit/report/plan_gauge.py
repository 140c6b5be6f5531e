"""Write a gauge plan into a study: a table to fill in and a sheet to print."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from kit.bench.gauge_sheet import gauge_sheet
from kit.design.gauge_plan import PARTS, REPEATS, gauge_quantity, is_destructive, plan_gauge
from kit.errors import DesignError
from kit.report.plan import SHEETS
from kit.study.folder import read_bytes, write_whole
from kit.study.read import read_study
from kit.study.tables import read_table, table_text

TO_FILL = "gauge-to-fill.csv"
SEED_STEP = 2
"""Added to the study's seed, so that the gauge's order is not that of the runs."""


def make_gauge_plan(
    folder: str | Path,
    quantity: str = "",
    *,
    parts: int = PARTS,
    operators: Sequence[str] = (),
    repeats: int = REPEATS,
    nested: bool = False,
) -> pd.DataFrame:
    """Plan a gauge study and write ``gauge-to-fill.csv`` and ``sheets/gauge.html``.

    Parameters
    ----------
    folder : str or Path
        A study folder.
    quantity : str, default ""
        What to read: a response, or an input such as ``width``; empty = the first response.
    parts, operators, repeats, nested
        As for `kit.design.gauge_plan.plan_gauge`.

    Returns
    -------
    DataFrame
        The plan, in reading order.

    Raises
    ------
    StudyError
        If ``study.toml`` has problems.
    DesignError
        If the plan makes no sense, or the table to fill holds readings already; nothing is written then.
    """
    folder = Path(folder)
    study = read_study(folder)
    read = gauge_quantity(study, quantity)
    rng = np.random.default_rng(study.seed + SEED_STEP)
    plan = plan_gauge(read, rng, parts=parts, operators=operators, repeats=repeats, nested=nested)
    _refuse_to_lose(folder)
    title = study.response_named(read.response).title
    title = title if read.part == "value" else f"{read.part} of {title}"
    sheet = gauge_sheet(study, plan, title, destructive=is_destructive(study, read))
    (folder / SHEETS).mkdir(exist_ok=True)
    write_whole(folder / TO_FILL, table_text(plan))
    write_whole(folder / SHEETS / "gauge.html", sheet)
    return plan


def _refuse_to_lose(folder: Path) -> None:
    data, problem = read_bytes(folder, TO_FILL)
    if problem is not None:
        raise DesignError(f"{problem} Nothing was changed.")
    if data is None:
        return
    table, _ = read_table(data, TO_FILL, required=("value",))
    values = table.columns.get("value") if table is not None else None
    if values is None or any(values):
        raise DesignError(
            f"{TO_FILL} holds readings already; save it as gauge.csv or move it away. Nothing was changed."
        )
