"""A study that is quick to render: one factor, one response, eight invented prints."""

from __future__ import annotations

from pathlib import Path

STUDY = """title = "{title}"

[[factor]]
name = "nozzle"
kind = "nozzle_temperature"
unit = "degC"
low = 200
high = 220
step = 5

[[response]]
name = "gloss"
unit = "GU"
from = "direct"
lower = 40
"""
PRINTS = (
    (200, 31.2), (210, 44.1), (220, 52.9), (210, 43.2), (200, 30.1), (220, 53.8), (205, 38.0), (215, 49.4),
)  # fmt: skip


def small_study(folder: Path, title: str = "Gloss over temperature") -> Path:
    """Write the study into a new folder."""
    folder.mkdir(parents=True)
    runs = ["run,round,block,print_order,nozzle,status,note"]
    readings = ["run,specimen,quantity,value,unit,repeat,operator,instrument,excluded,note"]
    for i, (nozzle, gloss) in enumerate(PRINTS, 1):
        runs.append(f"{i:02d},surface,1,{i},{nozzle},printed,")
        readings.append(f"{i:02d},A,gloss,{gloss},GU,1,,,,")
    (folder / "study.toml").write_text(STUDY.format(title=title), encoding="utf-8")
    (folder / "runs.csv").write_text("\n".join([*runs, ""]), encoding="utf-8")
    (folder / "readings.csv").write_text("\n".join([*readings, ""]), encoding="utf-8")
    return folder


def spoil(folder: Path) -> None:
    """Make the study one that `check` refuses, at ``readings.csv:3:value``."""
    path = folder / "readings.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("44.1", "44.1 GU"), encoding="utf-8")
