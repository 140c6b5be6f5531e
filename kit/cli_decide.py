"""Subcommands about deciding: confirming prints, the next round, adopting somebody else's study."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

DONE = 0
Add = Callable[[str, Callable[[argparse.Namespace], int], str, str], argparse.ArgumentParser]


def add_decisions(add: Add) -> None:
    """Add ``next`` and ``adopt``."""
    following = add(
        "next",
        _next,
        "Say whether to move, add runs, confirm or stop, why, and what it costs; writes nothing.",
        "testprint next my-study",
    )
    following.add_argument("study", help="the study folder")
    adopting = add(
        "adopt",
        _adopt,
        "Start a folder for carrying somebody else's study over to your printer: a few prints tell what differs.",
        "testprint adopt their-study my-printer",
    )
    adopting.add_argument("donor", help="the study folder of whoever found the settings")
    adopting.add_argument("folder", help="the new folder for your printer")
    adopting.add_argument(
        "--prints",
        type=int,
        default=4,
        help="prints to make on your printer, 3 to 6 (default: %(default)s)",
    )


def plan_options(plan: argparse.ArgumentParser) -> None:
    """Add the options of ``plan`` for further rounds."""
    group = plan.add_argument_group(
        "a further round", "Adds runs to runs.csv; what stands there stays."
    )
    group.add_argument(
        "--confirm", nargs="?", type=int, const=6, default=None, metavar="PRINTS",
        help="confirming prints at the recommended settings (default: 6)",
    )  # fmt: skip
    group.add_argument(
        "--next", action="store_true", help="the runs that `testprint next` suggests"
    )


def plan_further(options: argparse.Namespace) -> int | None:
    """Plan a further round where the options ask for one; None where they do not."""
    folder = Path(options.study)
    if options.confirm is not None:
        from kit.report.plan_confirm import make_confirmation

        plan, added = make_confirmation(folder, options.confirm)
        print(plan.sentence)
        if added.assessment.totals:
            print(added.assessment.totals)
        return said_round(folder, added.files)
    if options.next:
        from kit.report.show_next import make_next_round

        added = make_next_round(folder)
        print(*added.assessment.lines, sep="\n")
        return said_round(folder, added.files)
    return None


def default_template(folder: Path) -> str:
    """Give the template that a study's report is made with: its own, or that of an adopter."""
    from kit.errors import StudyError
    from kit.study.read import read_study

    try:
        return "adopt" if read_study(folder).adopt.donor else "surface"
    except StudyError:  # the report lists the problems
        return "surface"


def said_round(folder: Path, files: Sequence[str]) -> int:
    """Say where the runs of a further round were written."""
    runs, to_fill, *sheets = (_shown(folder / name) for name in files)
    print(
        f"Added to {runs}. Fill in {to_fill} and add its rows to readings.csv; sheets to print: {', '.join(sheets)}."
    )
    return DONE


def _shown(path: Path) -> str:
    try:
        return Path(os.path.relpath(path)).as_posix()
    except ValueError:  # another drive
        return path.as_posix()


def _next(options: argparse.Namespace) -> int:
    from kit.report.show_next import next_text

    print(next_text(options.study))
    return DONE


def _adopt(options: argparse.Namespace) -> int:
    from kit.report.adoption_start import start_adoption

    folder = Path(options.folder)
    adoption, added = start_adoption(options.donor, folder, options.prints)
    for note in adoption.notes:
        print(note, file=sys.stderr)
    print(*added.assessment.lines, sep="\n")
    print(
        f"Wrote {_shown(folder)}. First go through [printer] and [material] in {_shown(folder / 'study.toml')}: they still say "
        f"what the donor wrote. Then print, measure, save {added.to_fill_name} as readings.csv, and: "
        f"testprint report {_shown(folder)}"
    )
    return DONE
