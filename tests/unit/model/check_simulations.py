"""How often each check of a surface speaks up: where nothing is wrong, and under a stated fault.

``python -m tests.unit.model.check_simulations`` writes the table beside this file; the tests hold the table to
stated limits and, slowly, repeat it with fewer.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from kit.model.checks import check_surface
from kit.model.fit import fit_surface
from kit.study.description import Study
from tests.unit.model.builders import coded_factors, composite, make_measured, make_runs, make_study

TABLE = Path(__file__).with_suffix(".csv")
DESIGNS = ("18 prints, 3 factors", "24 prints, 2 factors, 2 days", "24 prints on 6 random plates")


def layout(design: str, rng: np.random.Generator) -> tuple[Study, pd.DataFrame, np.ndarray]:
    """Study, runs in random print order, and the plate of each print (all 0 without random plates)."""
    if design.startswith("18"):
        study, table = make_study(coded_factors(3)), composite(k=3)
        block = np.zeros(18, dtype=int)
    else:
        table = pd.concat([composite()] * 2, ignore_index=True)
        plates = "plates" in design
        study = make_study(coded_factors(), blocks="random" if plates else "auto")
        block = np.repeat(np.arange(6), 4) if plates else np.repeat([0, 1], 12)
    table = table.iloc[rng.permutation(len(table))].reset_index(drop=True)
    runs = make_runs(table, block=(block + 1).tolist())
    return study, runs, block if "plates" in design else np.zeros(len(table), dtype=int)


def mean_of(runs: pd.DataFrame) -> np.ndarray:
    x1, x2 = runs["x1"].to_numpy(), runs["x2"].to_numpy()
    return 30 + 2 * x1 - 1.5 * x2 - x1**2


def drift(y: np.ndarray, size: float) -> np.ndarray:
    return y + np.linspace(0, size, len(y))


def odd_print(y: np.ndarray, size: float) -> np.ndarray:
    return y + size * (np.arange(len(y)) == len(y) // 3)


def stretch(y: np.ndarray, size: float) -> np.ndarray:
    third = len(y) // 3
    return y + size * ((np.arange(len(y)) >= third) & (np.arange(len(y)) < 2 * third))


FAULTS: dict[str, tuple[Callable[[np.ndarray, float], np.ndarray], float]] = {
    "nothing": (drift, 0.0),
    "drift of 3 SD": (drift, 3.0),
    "a print off by 6 SD": (odd_print, 6.0),
    "a third of the prints off by 3 SD": (stretch, 3.0),
}


def simulate(design: str, fault: str, repeats: int, seed: int = 1) -> pd.DataFrame:
    """Count how often each check speaks up; columns design, fault, check, share."""
    rng = np.random.default_rng(seed)
    change, size = FAULTS[fault]
    counts: dict[str, int] = {}
    for _ in range(repeats):
        study, runs, plate = layout(design, rng)
        noise = rng.normal(size=len(runs)) + 1.5 * rng.normal(size=6)[plate] * (plate.max() > 0)
        y = change(mean_of(runs) + noise, size)
        measuring = dict(zip(runs["run"], rng.permutation(len(runs)).astype(float), strict=True))
        surface = fit_surface(
            make_measured(study, runs, y.tolist()), runs, study, measuring=measuring
        )
        checks = check_surface(surface)
        for check in checks:
            counts[check.name] = counts.get(check.name, 0) + (check.passed is False)
        deciding = [
            c for c in checks if c.changes_answer and c.name not in ("mixed_up", "spare_prints")
        ]
        counts["any"] = counts.get("any", 0) + bool(deciding)
    rows = [(design, fault, name, round(n / repeats, 4)) for name, n in counts.items()]
    return pd.DataFrame(rows, columns=["design", "fault", "check", "share"])


def main(repeats: int) -> None:
    parts = [simulate(design, fault, repeats) for design in DESIGNS for fault in FAULTS]
    pd.concat(parts).to_csv(TABLE, index=False)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
