"""How quick many reports are: ratios within one run, since the times themselves belong to the machine.

    python tests/speed/bench_batch.py [STUDIES] [ROUNDS]

The same studies one after the other, each with a fresh kernel in one warm process, against `testprint report FOLDER`
(kernels forked from one preloaded process, one study a processor). The two take turns. Then one study alone both ways:
what a warm report costs in a batch.
"""

from __future__ import annotations

import shutil
import statistics
import sys
import tempfile
from pathlib import Path

from bench_report import BIN, ROOT, adopt_orphans, timed

FRESH = """
import sys
from pathlib import Path
from kit.report import render
from kit.report.preload import preload_client
preload_client()
render.can_fork = lambda: False
for study in sorted(Path(sys.argv[1]).iterdir()):
    render.render_report(study)
"""


def space(place: Path, studies: int) -> Path:
    """Copy the demo study so many times, each with a title of its own."""
    folder = place / f"space-{studies}"
    for i in range(studies):
        copy = folder / f"s{i:02d}"
        shutil.copytree(
            ROOT / "data" / "satin-or-gloss", copy, ignore=shutil.ignore_patterns("report")
        )
        path = copy / "study.toml"
        text = path.read_text(encoding="utf-8").replace('title = "', f'title = "{i}: ', 1)
        path.write_text(text, encoding="utf-8")
    return folder


def medians(place: Path, studies: int, rounds: int, *options: str) -> list[tuple[float, float]]:
    """Time both ways, taking turns; medians of seconds by the clock and on the processors."""
    folder = str(space(place, studies))
    fresh = [sys.executable, "-c", FRESH, folder]
    batch = [str(BIN / "testprint"), "report", folder, "--all", *options]
    pairs = [(timed(fresh, cwd=place), timed(batch, cwd=place)) for _ in range(rounds)]
    return [
        (statistics.median(p[side][0] for p in pairs), statistics.median(p[side][1] for p in pairs))
        for side in (0, 1)
    ]


def main(studies: int, rounds: int) -> None:
    adopt_orphans()
    with tempfile.TemporaryDirectory() as scratch:
        place = Path(scratch)
        fresh, batch = medians(place, studies, rounds)
        print(
            f"{studies} reports: {fresh[0]:.1f} s one after the other with fresh kernels, {batch[0]:.1f} s in a batch: "
            f"{fresh[0] / batch[0]:.1f} times as fast by the clock (wanted: 4 on 2 idle processors), "
            f"{fresh[1] / batch[1]:.1f} times less processor time"
        )
        few, many = 1, 4
        ones = medians(place, few, rounds, "--workers", "1")
        fours = medians(place, many, rounds, "--workers", "1")
        warm = [(fours[i][0] - ones[i][0]) / (many - few) for i in (0, 1)]
        print(
            f"one more report in a warm process: {warm[0]:.2f} s with a fresh kernel, {warm[1]:.2f} s forked: "
            f"ratio {warm[1] / warm[0]:.2f} (wanted: 1.6 / 3.7 = 0.43)"
        )


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 20, int(sys.argv[2]) if len(sys.argv) > 2 else 1
    )
