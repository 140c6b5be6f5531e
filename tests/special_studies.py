"""A small invented study on disk that asks for special fits: strong hooks over nozzle temperature and speed."""

from __future__ import annotations

from pathlib import Path

import numpy as np

HEAD = """title = "Strong hooks"
seed = 5

[[factor]]
name = "nozzle"
kind = "nozzle_temperature"
unit = "degC"
low = 190
high = 230
step = 5

[[factor]]
name = "speed"
kind = "speed"
unit = "mm/s"
low = 40
high = 80
step = 5

[[response]]
name = "strength"
unit = "MPa"
from = "direct"
lower = 42
{response}

[model]
{model}
"""


def hooks(
    folder: Path, *, response: str = "", model: str = "", limit: float = 1e9, uneven: float = 0.0
) -> Path:
    """Write the study: strength 46 + 4 x1 - 2 x2 - 1.5 x1^2 - x1 x2 MPa, SD 1.5 exp(uneven x1), read up to the limit."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(3)
    grid = [(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)] * 2 + [(0, 0)] * 4
    runs = ["run,round,block,print_order,nozzle,speed,status,note"]
    readings = ["run,specimen,quantity,value,unit,repeat,operator,instrument,excluded,note"]
    for i, place in enumerate(rng.permutation(len(grid)), 1):
        a, b = grid[place]
        true = 46 + 4 * a - 2 * b - 1.5 * a**2 - a * b
        read = min(limit, true + 1.5 * np.exp(uneven * a) * rng.normal())
        runs.append(f"{i:02d},surface,1,{i},{210 + 20 * a},{60 + 20 * b},printed,")
        readings.append(f"{i:02d},A,strength,{read:.2f},MPa,1,,,,")
    text = HEAD.format(response=response, model=model)
    (folder / "study.toml").write_text(text, encoding="utf-8")
    (folder / "runs.csv").write_text("\n".join([*runs, ""]), encoding="utf-8")
    (folder / "readings.csv").write_text("\n".join([*readings, ""]), encoding="utf-8")
    return folder
