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
    printer = virtual_printer(tomllib.loads((folder / "truth.toml").read_text(encoding="utf-8")))
    plan = new_plan(study)
    rng = np.random.default_rng(study.seed + 1)
    runs, values = printer.print_runs(study, plan.runs, rng)
    order = plan.to_fill[["run", "specimen", "quantity", "unit", "repeat"]].astype(
        {"specimen": str}
    )
    keys = ["run", "specimen", "quantity", "repeat"]
    readings = order.merge(values.drop(columns="unit"), on=keys, how="inner")
    readings = readings[[c for c in plan.to_fill.columns if c in readings]]
    return {"runs.csv": table_text(runs), "readings.csv": table_text(pd.DataFrame(readings))}


if __name__ == "__main__":
    for name in sys.argv[1:] or ["satin-or-gloss"]:
        for file, text in tables_of(DATA / name).items():
            (DATA / name / file).write_text(text, encoding="utf-8", newline="\n")
