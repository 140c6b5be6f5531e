"""The commands that share results: `publish`, `package`, `open`, `index`."""

from __future__ import annotations

import argparse
import datetime
import sys
from collections.abc import Callable
from pathlib import Path

DONE, PROBLEMS = 0, 1

Command = Callable[[argparse.Namespace], int]
Add = Callable[[str, Command, str, str], argparse.ArgumentParser]

ENGINES = ("mediawiki", "dokuwiki", "markdown")

CREDENTIALS = """\
Wikis are described in wikis.toml in your settings folder (~/.config/testprint, or the file named by TESTPRINT_WIKIS). Secrets never
stand there: they come from the environment (TESTPRINT_NAME_USER and TESTPRINT_NAME_SECRET), from the system's keyring (service
testprint:NAME), or from credentials.toml beside it, readable by you alone (mode 0600).
"""


def add_commands(add: Add) -> None:
    """Add the commands to the parser."""
    publish = add(
        "publish",
        _publish,
        "Show what publishing a report to a wiki would change; with --send, do it.",
        "testprint publish my-study --to makerspace",
    )
    publish.epilog = f"{publish.epilog}\n\n{CREDENTIALS}"
    publish.formatter_class = argparse.RawDescriptionHelpFormatter
    publish.add_argument("study", help="the study folder, with an up-to-date report")
    where = publish.add_mutually_exclusive_group(required=True)
    where.add_argument("--to", metavar="NAME", help="a wiki that wikis.toml describes")
    where.add_argument(
        "--bundle", metavar="FILE", help="write page and files into a zip, to be put up by hand"
    )
    publish.add_argument(
        "--send", action="store_true", help="write to the wiki (default: only show the difference)"
    )
    publish.add_argument(
        "--force", action="store_true", help="overwrite a page that somebody else changed"
    )
    publish.add_argument(
        "--allow-findings",
        action="store_true",
        help="publish e-mail addresses and folder names that were found",
    )
    publish.add_argument(
        "--engine",
        choices=ENGINES,
        default="mediawiki",
        help="of the bundle (default: %(default)s)",
    )
    publish.add_argument("--namespace", default="", help="of the bundle's files on a DokuWiki")

    package = add(
        "package", _package, "Write the data package: tables, descriptions, report, in one zip.", "testprint package my-study"
    )  # fmt: skip
    package.add_argument("study", help="the study folder, with an up-to-date report")
    package.add_argument(
        "file",
        nargs="?",
        help="the zip to write (default: published/data-package.zip in the study)",
    )

    opened = add(
        "open",
        _open,
        "Turn a data package back into a study folder.",
        "testprint open data-package.zip their-study",
    )
    opened.add_argument("package", help="a zip file, or an unpacked package")
    opened.add_argument("folder", help="the study folder to make; new or empty")

    index = add(
        "index", _index, "Write one page with all studies of a folder.", "testprint index studies"
    )
    index.add_argument("space", help="a folder that holds study folders")


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _publish(options: argparse.Namespace) -> int:
    from kit.report.publish.publish import bundle_report, publish_report

    today = datetime.date.today()  # noqa: DTZ011 - the maker's own day stands in the page's history
    if options.bundle:
        path = bundle_report(
            options.study,
            options.engine,
            Path(options.bundle),
            today=today,
            namespace=options.namespace,
        )
        print(f"Wrote {path.name}; HOW-TO.txt in it says how to put the page up.")
        return DONE
    plan = publish_report(
        options.study,
        options.to,
        today=today,
        send=options.send,
        force=options.force,
        allow_findings=options.allow_findings,
        say=_say,
    )
    print(plan)
    if plan.sent:
        print(
            "Nothing had to be written."
            if plan.outcome == "unchanged"
            else "Published, and read back as it was meant."
        )
    elif plan.outcome == "conflict":
        _say(
            "Nothing was sent. The page is not as this study's publisher left it; --force would overwrite it."
        )
    else:
        _say("Nothing was sent. To do it: the same command with --send")
    return DONE


def _package(options: argparse.Namespace) -> int:
    from kit.report.finished import read_report
    from kit.report.package.build import package_bytes
    from kit.study.folder import write_whole

    report = read_report(options.study)
    path = (
        Path(options.file)
        if options.file
        else Path(options.study) / "published" / "data-package.zip"
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, package_bytes(report))
    print(f"Wrote {path.as_posix()}.")
    if not report.study.licence:
        _say(
            'No licence is stated, so nobody may reuse the data: licence = "CC-BY-4.0" in study.toml, for example.'
        )
    return DONE


def _open(options: argparse.Namespace) -> int:
    from kit.report.package.open import open_package

    folder = open_package(options.package, options.folder)
    print(f"Wrote the study to {folder.as_posix()}. Next: testprint report {folder.as_posix()}")
    return DONE


def _index(options: argparse.Namespace) -> int:
    from kit.report.space import write_index

    print(f"Wrote {write_index(options.space).as_posix()}.")
    return DONE
