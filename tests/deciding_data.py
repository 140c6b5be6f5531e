"""How the readings of the demo studies about deciding were made; run as a script it writes them anew."""

from __future__ import annotations

import shutil
import tempfile
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from kit.rehearse import VirtualPrinter, virtual_printer
from kit.report.adoption_start import start_adoption
from kit.report.plan_confirm import make_confirmation
from kit.study.description import Study
from kit.study.read import read_study
from kit.study.tables import table_text

DATA = Path(__file__).parents[1] / "data"
FIRST, CONFIRMED = DATA / "satin-or-gloss", DATA / "satin-confirmed"
ADOPTED = DATA / "satin-next-door"
CONFIRM_SEED, ADOPT_SEED = 31, 32
"""Added to the study's seed."""


def confirmed_files(
    printer: VirtualPrinter | None = None, prints: int = 6, seed: int = CONFIRM_SEED
) -> dict[str, str]:
    """Make ``runs.csv`` and ``readings.csv``: the first round, then confirming prints by a virtual printer."""
    study = read_study(CONFIRMED)
    truth = tomllib.loads((CONFIRMED / "truth.toml").read_text(encoding="utf-8"))
    printer = printer or replace(virtual_printer(truth), failures={})
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        shutil.copy(CONFIRMED / "study.toml", folder)
        for name in ("runs.csv", "readings.csv"):
            shutil.copy(FIRST / name, folder)
        _, added = make_confirmation(folder, prints)
        rng = np.random.default_rng(study.seed + seed)
        runs, readings = measured(study, printer, added.runs, added.to_fill, rng)
        first = (FIRST / "runs.csv").read_text(encoding="utf-8")
        more = (FIRST / "readings.csv").read_text(encoding="utf-8")
    return {
        "runs.csv": first + _body(table_text(runs)),
        "readings.csv": more + _body(table_text(readings)),
    }


def adopted_files(printer: VirtualPrinter | None = None, prints: int = 4) -> dict[str, str]:
    """Make all files of the adopter's folder: the donor's study, the description, and the prints next door."""
    truth = tomllib.loads((ADOPTED / "truth.toml").read_text(encoding="utf-8"))
    printer = printer or virtual_printer(truth)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "adopter"
        _, added = start_adoption(FIRST, folder, prints)
        study = read_study(folder)
        rng = np.random.default_rng(study.seed + ADOPT_SEED)
        runs, readings = measured(study, printer, added.runs, added.to_fill, rng)
        donor = {
            f"donor/{p.name}": p.read_text(encoding="utf-8") for p in (folder / "donor").iterdir()
        }
        described = (folder / "study.toml").read_text(encoding="utf-8")
    for old, new in NEXT_DOOR.items():
        assert old in described
        described = described.replace(old, new)
    return {
        **donor,
        "study.toml": described,
        "runs.csv": table_text(runs),
        "readings.csv": table_text(readings),
    }


NEXT_DOOR = {
    'title = "Satin or gloss on the window-side printer, on another printer"': 'title = "Satin or gloss, next door"',
    'name = "new printer"           # yours; go through the lines below as well': 'name = "printer next door"',
}


def measured(
    study: Study,
    printer: VirtualPrinter,
    runs: pd.DataFrame,
    to_fill: pd.DataFrame,
    rng: np.random.Generator,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Print planned runs and measure them in the order of ``to_fill``."""
    runs, values = printer.print_runs(study, runs, rng)
    keys = ["run", "specimen", "quantity", "repeat"]
    order = to_fill[[*keys[:3], "unit", "repeat"]].astype({"specimen": str})
    readings = order.merge(values.drop(columns="unit"), on=keys, how="inner")
    return runs, readings[[c for c in to_fill.columns if c in readings]]


def _body(text: str) -> str:
    return text.split("\n", 1)[1]


if __name__ == "__main__":
    for home, files in ((CONFIRMED, confirmed_files()), (ADOPTED, adopted_files())):
        for file, text in files.items():
            (home / file).parent.mkdir(exist_ok=True)
            (home / file).write_text(text, encoding="utf-8", newline="\n")
