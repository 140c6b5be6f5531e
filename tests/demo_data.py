"""How the readings of the demo studies were made; run as a script it writes them anew.

The plan comes from the study's seed, the readings from a generator seeded with the study's seed + 1.
"""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd

from kit.rehearse import virtual_printer
from kit.report.plan import new_plan
from kit.study.read import read_study
from kit.study.tables import table_text

DATA = Path(__file__).parents[1] / "data"


def tables_of(folder: Path) -> dict[str, str]:
    """Make the texts of ``runs.csv`` and ``readings.csv`` from study.toml and truth.toml."""
    study = read_study(folder)
    truth = tomllib.loads((folder / "truth.toml").read_text(encoding="utf-8"))
    printer = virtual_printer(truth)
    plan = new_plan(study)
    rng = np.random.default_rng(study.seed + 1)
    planned = _named_groups(plan.runs, truth.get("groups", {}))
    runs, values = printer.print_runs(study, planned, rng)
    order = plan.to_fill[["run", "specimen", "quantity", "unit", "repeat"]].astype(
        {"specimen": str}
    )
    keys = ["run", "specimen", "quantity", "repeat"]
    readings = order.merge(values.drop(columns="unit"), on=keys, how="inner")
    readings = readings[[c for c in plan.to_fill.columns if c in readings]]
    return {"runs.csv": table_text(runs), "readings.csv": table_text(pd.DataFrame(readings))}


def _named_groups(runs: pd.DataFrame, groups: dict[str, dict[str, object]]) -> pd.DataFrame:
    """Name spools and the like: ``each`` of some factors' levels has ``number`` of them, used in turn."""
    runs = runs.copy()
    for column, told in groups.items():
        each = [str(name) for name in told["each"]]
        turn = runs.groupby(each)["print_order"].rank().astype(int) % int(str(told["number"])) + 1
        runs[column] = runs[each].agg(" ".join, axis=1) + " " + turn.astype(str)
    return runs


if __name__ == "__main__":
    for name in sys.argv[1:] or ["satin-or-gloss"]:
        for file, text in tables_of(DATA / name).items():
            (DATA / name / file).write_text(text, encoding="utf-8", newline="\n")
