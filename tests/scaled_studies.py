"""A small invented study on disk whose responses ask for other scales: clips over nozzle temperature and speed."""

from __future__ import annotations

from pathlib import Path

import numpy as np

STUDY = """title = "How long a clip lasts"
seed = 11

[material]
polymer = "PETG"

[[factor]]
name = "nozzle"
kind = "nozzle_temperature"
unit = "degC"
low = 220
high = 250
step = 5

[[factor]]
name = "speed"
kind = "speed"
unit = "mm/s"
low = 30
high = 90
step = 5

[[response]]
name = "bends"
label = "bends until it breaks"
lower = 60
plausible = [1, 100000]
scale = "log"

[[response]]
name = "stringy"
label = "share of stringy gaps"
unit = "%"
upper = 30
plausible = [0, 100]
scale = "share"

[[response]]
name = "peel"
unit = "N"
lower = 4
plausible = [0.1, 1000]
scale = {peel}

[window]
confidence = 0.8
"""


def clips(folder: Path, *, peel: str = '"power"', scatter: float = 1.0) -> Path:
    """Write the study: logarithm, log odds and reciprocal are of second order in the settings, scatter there even."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(5)
    grid = [(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)] + [(0, 0)] * 5
    runs = ["run,round,block,print_order,nozzle,speed,status,note"]
    readings = ["run,specimen,quantity,value,unit,repeat,operator,instrument,excluded,note"]
    for i, place in enumerate(rng.permutation(len(grid)), 1):
        x, s = grid[place]
        middle = {
            "bends": np.log(80) + 0.9 * x - 0.35 * s - 0.4 * x**2,
            "stringy": -2.3 + 1.6 * x + 0.5 * s,
            "peel": 1 / 6.5 - 0.05 * x + 0.03 * s,
        }
        noise = {"bends": 0.18, "stringy": 0.35, "peel": 0.012}
        runs.append(f"{i:02d},surface,1,{i},{235 + 15 * x},{60 + 30 * s},printed,")
        z = {n: middle[n] + scatter * noise[n] * rng.normal() for n in middle}
        z["peel"] = max(z["peel"], 0.01)
        for piece in "AB":
            own = {n: z[n] + 0.2 * noise[n] * rng.normal() for n in z}
            y = {
                "bends": np.exp(own["bends"]),
                "stringy": 100 / (1 + np.exp(-own["stringy"])),
                "peel": 1 / own["peel"],
            }
            readings += [f"{i:02d},{piece},{n},{v:.4g},,1,,,," for n, v in y.items()]
    (folder / "study.toml").write_text(STUDY.format(peel=peel), encoding="utf-8")
    (folder / "runs.csv").write_text("\n".join([*runs, ""]), encoding="utf-8")
    (folder / "readings.csv").write_text("\n".join([*readings, ""]), encoding="utf-8")
    return folder
