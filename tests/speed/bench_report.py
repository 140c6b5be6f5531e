"""How quick one report is: ratios within one run, since the times themselves belong to the machine.

    python tests/speed/bench_report.py [REPEATS]

Cold: `testprint report` against the papermill command followed by the nbconvert command on the same notebook.
Also `import kit` and `testprint --help`. The two sides take turns; medians are compared, of wall-clock time and of
processor time (children included), which suffers less where other work shares the machine.
"""

from __future__ import annotations

import ctypes
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

ROOT = Path(__file__).parents[2]
BIN = Path(sys.executable).parent
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}

Timed = tuple[float, float]


def timed(*commands: list[str], cwd: Path) -> Timed:
    """Run commands one after the other; give their seconds by the clock and on the processors."""
    before, start = _processor(), time.perf_counter()
    for command in commands:
        subprocess.run(
            command, cwd=cwd, check=True, capture_output=True, env={**os.environ, **ONE_THREAD}
        )
        _wait_for_orphans()
    return time.perf_counter() - start, _processor() - before


def adopt_orphans() -> None:
    """Count processes whose parent ended before them, too (Linux)."""
    ctypes.CDLL(None).prctl(36, 1, 0, 0, 0)  # PR_SET_CHILD_SUBREAPER


def _wait_for_orphans() -> None:
    with suppress(ChildProcessError):
        while True:
            os.waitpid(-1, 0)


def _processor() -> float:
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def compare(
    ours: Callable[[], Timed], theirs: Callable[[], Timed], repeats: int
) -> tuple[Timed, Timed]:
    """Let the two take turns; give the medians of both."""
    pairs = [(ours(), theirs()) for _ in range(repeats)]
    medians = [
        (statistics.median(p[side][0] for p in pairs), statistics.median(p[side][1] for p in pairs))
        for side in (0, 1)
    ]
    return medians[0], medians[1]


def say(what: str, ours: Timed, theirs: Timed, wanted: str) -> None:
    print(
        f"{what}: {ours[0]:.2f} s against {theirs[0]:.2f} s, ratio {ours[0] / theirs[0]:.2f} by the clock, "
        f"{ours[1] / theirs[1]:.2f} of processor time ({wanted})"
    )


def main(repeats: int) -> None:
    adopt_orphans()
    with tempfile.TemporaryDirectory() as scratch:
        place = Path(scratch)
        shutil.copytree(
            ROOT / "data" / "satin-or-gloss",
            place / "study",
            ignore=shutil.ignore_patterns("report"),
        )
        template = ROOT / "templates" / "3-surface.ipynb"
        report = [str(BIN / "testprint"), "report", "study"]
        papermill = [str(BIN / "papermill"), str(template), "out.ipynb", "-p", "study", "study"]
        convert = [str(BIN / "jupyter-nbconvert"), "--to", "html", "--no-input", "out.ipynb"]
        timed(report, papermill, convert, cwd=place)  # so that both find their files in the cache
        ours, theirs = compare(
            lambda: timed(report, cwd=place), lambda: timed(papermill, convert, cwd=place), repeats
        )
        say("one cold report", ours, theirs, "wanted: at most 0.50")
        python = [sys.executable, "-c"]
        kit, nothing = compare(
            lambda: timed([*python, "import kit"], cwd=place),
            lambda: timed([*python, "pass"], cwd=place),
            5 * repeats,
        )
        print(
            f"import kit: {1000 * (kit[0] - nothing[0]):.0f} ms beyond Python's own start (wanted: under 50)"
        )
        help_ = [
            timed([str(BIN / "testprint"), "--help"], cwd=place)[0] for _ in range(5 * repeats)
        ]
        print(f"testprint --help: {statistics.median(help_):.2f} s (wanted: under 0.3)")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
