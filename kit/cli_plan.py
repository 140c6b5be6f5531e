"""Options of ``testprint plan`` before and after the plan itself: beside other plans, rehearsed, added to, with extras."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from kit.cli_decide import said_round

DONE = 0


def plan_questions(plan: argparse.ArgumentParser) -> None:
    """Add the options."""
    group = plan.add_argument_group("before and after")
    group.add_argument(
        "--beside", metavar="PLANS", default=None,
        help='set one or two other plans beside it, such as "box_behnken, optimal 16"; writes nothing',
    )  # fmt: skip
    group.add_argument(
        "--rehearse", nargs="?", type=int, const=100, default=None, metavar="TIMES",
        help="let a virtual printer print the plan: how often would you find the truth of truth.toml? (default: 100 times)",
    )  # fmt: skip
    group.add_argument(
        "--add", metavar="PURPOSE", default=None,
        help='add runs to those that are there: "separate mixed-up effects", "see curvature" or "narrow the doubt"',
    )  # fmt: skip
    group.add_argument("--runs", type=int, default=None, metavar="N", help="how many runs to add")
    group.add_argument(
        "--commands", action="store_true", help="write command text to copy for each planned run; nothing is sent to a printer"
    )  # fmt: skip
    group.add_argument(
        "--labels", action="store_true", help="write a sheet of blind labels for the specimens, and their key"
    )  # fmt: skip


def plan_asked(options: argparse.Namespace) -> int | None:
    """Answer where one of the options asks; None where none does."""
    folder = Path(options.study)
    if options.add is not None:
        return _added(folder, options.add, options.runs)
    if options.beside is not None:
        return _beside(folder, options.beside)
    if options.rehearse is not None:
        return _rehearsed(folder, options.rehearse)
    if options.commands or options.labels:
        return _extras(folder, commands=options.commands, labels=options.labels)
    return None


def _shown(path: Path) -> str:
    try:
        return Path(os.path.relpath(path)).as_posix()
    except ValueError:  # another drive
        return path.as_posix()


def _extras(folder: Path, *, commands: bool, labels: bool) -> int:
    from kit.report.plan_extras import KEY_FILE, write_commands, write_labels

    if commands:
        print(
            f"Wrote {_shown(write_commands(folder))}: text to copy, nothing is sent to a printer."
        )
    if labels:
        sheet, coded = write_labels(folder)
        print(f"Wrote {_shown(sheet)} to print and its key, {_shown(folder / KEY_FILE)}.")
        if not coded:
            print(
                "For 2-D codes on the labels: pip install 'testprint-kit[labels]'.", file=sys.stderr
            )
    return DONE


def _added(folder: Path, purpose: str, number: int | None) -> int:
    from kit.report.plan_added import make_added

    added, written = make_added(folder, purpose, number)
    print(*added.sentences, sep="\n")
    if written.assessment.totals:
        print(written.assessment.totals)
    return said_round(folder, written.files)


def _beside(folder: Path, others: str) -> int:
    from kit.report.beside import beside_table, plans_beside
    from kit.report.plan import propose_plan

    beside = plans_beside(propose_plan(folder), others)
    print(beside_table(beside).plain())
    for name, why in beside.refused.items():
        print(f"{name} cannot be made: {why}", file=sys.stderr)
    return DONE


def _rehearsed(folder: Path, times: int) -> int:
    from kit.rehearse_many import rehearse_plan
    from kit.rehearse_page import show_rehearsal

    print(show_rehearsal(rehearse_plan(folder, times)).plain())
    return DONE
