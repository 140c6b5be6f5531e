"""How the studies in `data/four-printers` were made; run as a script it writes them anew.

Four printers of one makerspace, invented: each differs from the average one by a draw from the truth's standard deviations between
printers (seed `PRINTERS_SEED`); plan and readings follow from each study's own seed, as for the other demo studies.
"""

from __future__ import annotations

import tempfile
import tomllib
from pathlib import Path

import numpy as np

from tests.demo_data import DATA, tables_of

HOME = DATA / "four-printers"
PRINTERS_SEED = 7707
PRINTERS = {
    "window-side": "window-side printer",
    "by-the-door": "printer by the door",
    "upstairs": "upstairs printer",
    "borrowed": "borrowed printer",
}

STUDY = """# Demo study of the testprint kit. Makerspace, printers, spool and readings are invented;
# the readings come from a virtual printer whose truth stands in truth.toml.

title = "Shelf labels on the {printer}"
scope = "Shelf labels for the workshop. Nothing that carries people, food or mains voltage."
seed = {seed}
authors = ["the testprint project (invented study)"]
licence = "CC0-1.0"

[material]
name = "blue spools, one batch"
polymer = "PLA"
stated_range = [190, 230]      # degC, as printed on the spool

[printer]
name = "{printer}"
nozzle_diameter = 0.4          # mm
layer_height = 0.2             # mm
line_width = 0.45              # mm

[[factor]]
name = "nozzle"
kind = "nozzle_temperature"
unit = "degC"
low = 190
high = 230
step = 5

[[factor]]
name = "fan"
kind = "fan_duty"
unit = "%"
low = 20
high = 100
step = 10

[[response]]
name = "width_error"
unit = "mm"
from = "dimension"
nominal = 20                   # mm, width of the tongue
lower = -0.1
upper = 0.1

[[response]]
name = "gloss"
unit = "GU"
from = "gloss"                 # 60 degrees
lower = 45

[design]
family = "central_composite"
axial = "face"
centre_points = 3

[model]
terms = "second_order"

[window]
confidence = 0.90
"""


def files() -> dict[str, str]:
    """Make all files of the four studies, by their path below `HOME`."""
    shared = (HOME / "truth.toml").read_text(encoding="utf-8")
    between = tomllib.loads(shared)["between_printers"]
    rng = np.random.default_rng(PRINTERS_SEED)
    made: dict[str, str] = {}
    for number, (name, printer) in enumerate(PRINTERS.items()):
        bias = {response: round(rng.normal(0, sd), 4) for response, sd in between.items()}
        lines = "\n".join(f"{response} = {value}" for response, value in bias.items())
        texts = {
            "study.toml": STUDY.format(printer=printer, seed=6101 + number),
            "truth.toml": f"{shared}\n[bias]                         # of this printer, drawn from the SDs above\n{lines}\n",
        }
        with tempfile.TemporaryDirectory() as scratch:
            for file, text in texts.items():
                (Path(scratch) / file).write_text(text, encoding="utf-8")
            texts |= tables_of(Path(scratch))
        made |= {f"{name}/{file}": text for file, text in texts.items()}
    return made


if __name__ == "__main__":
    for path, text in files().items():
        (HOME / path).parent.mkdir(parents=True, exist_ok=True)
        (HOME / path).write_text(text, encoding="utf-8", newline="\n")
