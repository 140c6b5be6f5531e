"""How the readings of the demo study about measuring were made; run as a script it writes them anew.

Everything comes from study.toml and truth.toml and generators seeded with the study's seed.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from kit.design.gauge_plan import gauge_quantity, plan_gauge
from kit.rehearse_bench import GaugeTruth, InstrumentTruth
from kit.study.read import read_study
from kit.study.tables import table_text

FOLDER = Path(__file__).parents[1] / "data" / "how-we-measure"
GAUGE_SEED, REFERENCE_SEED, PRINT_SEED = 21, 12, 13
"""Added to the study's seed."""


def files_of(folder: Path = FOLDER) -> dict[str, str]:
    """Make the texts of all simulated files, by their path in the study."""
    study = read_study(folder)
    truth = tomllib.loads((folder / "truth.toml").read_text(encoding="utf-8"))
    return {
        "gauge.csv": table_text(_gauge(study, truth["gauge"])),
        "references.csv": table_text(_references(study.seed, truth["instrument"])),
    }


def _gauge(study: Any, truths: dict[str, Any]) -> pd.DataFrame:
    rng = np.random.default_rng(study.seed + GAUGE_SEED)
    parts = []
    for name, described in truths.items():
        size = {key: described[key] for key in ("operators", "parts", "repeats")}
        plan = plan_gauge(gauge_quantity(study, name), rng, **size)
        truth = GaugeTruth(**{k: v for k, v in described.items() if k not in size})
        parts.append(truth.read(plan, rng))
    return pd.concat(parts, ignore_index=True)


def _references(seed: int, truths: dict[str, Any]) -> pd.DataFrame:
    rng = np.random.default_rng(seed + REFERENCE_SEED)
    parts = []
    for name, described in truths.items():
        keys = ("references", "repeats", "unit", "u_true")
        given = {key: described[key] for key in keys}
        truth = InstrumentTruth(**{k: v for k, v in described.items() if k not in keys})
        parts.append(truth.read_references(name, given.pop("references"), rng, **given))
    return pd.concat(parts, ignore_index=True)


if __name__ == "__main__":
    for name, text in files_of().items():
        path = FOLDER / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
