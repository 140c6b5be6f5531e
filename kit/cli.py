"""The command ``testprint``: each subcommand calls one function, prints its answer and gives an exit code.

Answers go to stdout, messages and progress to stderr. Exit 0: done, whatever the answer is; 1: the study has
problems, all of them listed; 2: the command was not understood.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from kit.cli_decide import add_decisions, default_template, plan_further, plan_options
from kit.cli_many import add_commands as add_many
from kit.cli_many import one_thread, report_options
from kit.cli_plan import plan_asked, plan_questions
from kit.cli_publish import add_commands

DONE, PROBLEMS, USAGE = 0, 1, 2

DEMO_STUDY = "satin-or-gloss"

NEW_OPTIONS = {
    "title": "what the study is about (default: the folder's name)",
    "scope": "what the parts are for",
    "polymer": "polymer on the spool",
    "stated_range": "nozzle temperatures printed on the spool, such as 190-230",
    "printer": "what you call the printer",
    "factors": "settings to vary, such as nozzle,speed,fan",
    "responses": "what you will measure, such as gloss,bending_strength",
}
"""Questions of ``testprint new`` that may be answered on the command line; what is left out is asked."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Default: those of the process.

    Returns
    -------
    int
        The exit code.
    """
    options = _parser().parse_args(arguments)
    from kit.errors import KitError, UsageError

    try:
        command: Callable[[argparse.Namespace], int] = options.command
        return command(options)
    except UsageError as error:
        print(error, file=sys.stderr)
        return USAGE
    except KitError as error:
        print(error, file=sys.stderr)
        return PROBLEMS
    except OSError as error:
        where = Path(error.filename).name if isinstance(error.filename, str) else ""
        print(
            f"{where}: {error.strerror or error}; nothing more was written.".lstrip(": "),
            file=sys.stderr,
        )
        return PROBLEMS
    except KeyboardInterrupt:
        print("Stopped; what was there before still stands.", file=sys.stderr)
        return PROBLEMS


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="testprint",
        description="Find settings that give accurate, good-looking, strong parts on your printer.",
        epilog="Start with: testprint demo",
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    def add(
        name: str, run: Callable[[argparse.Namespace], int], about: str, example: str
    ) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=about, description=about, epilog=f"Example: {example}")
        sub.set_defaults(command=run)
        return sub

    demo = add(
        "demo",
        _demo,
        "Copy the invented demo study and render its report.",
        "testprint demo my-demo",
    )
    demo.add_argument(
        "folder", nargs="?", default="testprint-demo", help="where to put it (default: %(default)s)"
    )

    new = add(
        "new",
        _new,
        "Write a commented study.toml from a handful of answers.",
        "testprint new my-study",
    )
    new.add_argument("folder", help="the study folder to make")
    for key, about in NEW_OPTIONS.items():
        new.add_argument(f"--{key.replace('_', '-')}", dest=key, metavar="TEXT", help=about)

    plan = add(
        "plan",
        _plan,
        "Choose and shuffle the runs; write the tables and sheets.",
        "testprint plan my-study",
    )
    _study(plan)
    _gauge_options(plan)
    plan_questions(plan)
    plan_options(plan)
    check = add(
        "check", _check, "List every problem in the study's files.", "testprint check my-study"
    )
    _study(check)
    status = add(
        "status",
        _status,
        "Say where the study stands and what to do next.",
        "testprint status my-study",
    )
    _study(status)

    report = add(
        "report",
        _report,
        "Render the report: page, numbers, figures, notebook.",
        "testprint report my-study",
    )
    _study(report)
    report.add_argument(
        "--template",
        help="which notebook (default: surface, or adopt for a study that names a donor)",
    )
    report.add_argument(
        "--option",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="an option of the notebook",
    )
    report_options(report)
    add_commands(add)
    add_many(add)
    add_decisions(add)
    return parser


def _study(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("study", help="the study folder")


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _shown(path: Path) -> str:
    """Give a path as a person at this prompt would type it."""
    try:
        return Path(os.path.relpath(path)).as_posix()
    except ValueError:  # another drive
        return path.as_posix()


def _demo(options: argparse.Namespace) -> int:
    one_thread()
    from kit.report.demo import copy_demo
    from kit.report.render import render_report

    folder = Path(options.folder)
    _say(
        f"Copying the demo study to {_shown(folder)} (invented makerspace, spool and readings) ..."
    )
    copy_demo(DEMO_STUDY, folder)
    _say("Checking its files ...")
    _checked(folder)
    _say("Running its notebook; this takes about half a minute ...")
    rendered = render_report(folder, progress=True)
    print(rendered.sentence)
    print(f"Report: {_shown(rendered.page)}")
    return DONE


def _new(options: argparse.Namespace) -> int:
    from kit.study.new import write_new_study

    folder = Path(options.folder)
    given = {key: getattr(options, key) for key in NEW_OPTIONS if getattr(options, key) is not None}
    answers = _ask(given) if sys.stdin.isatty() else given
    answers.setdefault("title", folder.resolve().name.replace("-", " ").replace("_", " "))
    path = write_new_study(folder, answers)
    print(f"Wrote {_shown(path)}. Read it through, then: testprint plan {_shown(folder)}")
    return DONE


def _ask(given: dict[str, str]) -> dict[str, str]:
    """Ask what was not answered on the command line, again until the answer will do."""
    from kit.study.new import QUESTIONS, check_answer

    answers = dict(given)
    for question in QUESTIONS:
        while question.key not in answers:
            _say(f"{question.text} {question.hint}".strip())
            print(f"  [{question.default}] ", end="", file=sys.stderr, flush=True)
            typed = sys.stdin.readline()
            if not typed:
                raise KeyboardInterrupt
            fault = check_answer(question.key, typed.strip())
            if fault is None:
                answers[question.key] = typed.strip()
            else:
                _say(f"  {fault}")
    return answers


def _gauge_options(plan: argparse.ArgumentParser) -> None:
    group = plan.add_argument_group(
        "gauge study",
        "How good is the measuring? Writes gauge-to-fill.csv and a sheet instead of a plan of prints.",
    )
    group.add_argument(
        "--gauge", nargs="?", const="", default=None, metavar="QUANTITY",
        help="plan a gauge study of this response, or of an input such as width (default: the first response)",
    )  # fmt: skip
    group.add_argument("--parts", type=int, default=10, help="parts to read (default: %(default)s)")
    group.add_argument(
        "--operators",
        default="A,B",
        metavar="NAMES",
        help="who reads, parted by commas (default: %(default)s)",
    )
    group.add_argument(
        "--repeats",
        type=int,
        default=3,
        help="readings of each part by each (default: %(default)s)",
    )
    group.add_argument(
        "--own-parts",
        action="store_true",
        help="every operator gets parts of their own (breaking tests with few pieces)",
    )


def _plan_gauge(options: argparse.Namespace) -> int:
    from kit.report.plan_gauge import TO_FILL, make_gauge_plan

    folder = Path(options.study)
    names = [name.strip() for name in options.operators.split(",")]
    plan = make_gauge_plan(
        folder,
        options.gauge,
        parts=options.parts,
        operators=names,
        repeats=options.repeats,
        nested=options.own_parts,
    )
    print(
        f"{len(plan)} readings of {plan['quantity'].iloc[0]}, {plan['part'].nunique()} parts, in blind order."
    )
    print(
        f"Wrote {_shown(folder / TO_FILL)} (fill in, save as gauge.csv) and a sheet to print, {_shown(folder / 'sheets' / 'gauge.html')}."
    )
    return DONE


def _plan(options: argparse.Namespace) -> int:
    from kit.report.plan import make_plan
    from kit.report.show_plan_questions import essentials

    if options.gauge is not None:
        return _plan_gauge(options)
    folder = Path(options.study)
    for further in (plan_asked, plan_further):
        done = further(options)
        if done is not None:
            return done
    plan = make_plan(folder)
    for text in (*plan.notes, *plan.assessment.findings, *plan.assessment.missing):
        _say(text)
    verdicts, totals = plan.assessment.verdicts, plan.assessment.totals
    print(*verdicts, *essentials(plan), *([totals] if totals else []), sep="\n")
    print(
        f"Wrote {_shown(folder / 'runs.csv')}, {_shown(folder / 'readings-to-fill.csv')} and two sheets to print in "
        f"{_shown(folder / 'sheets')}."
    )
    return DONE


def _checked(folder: Path) -> None:
    from kit.study.intake import take_in

    data = take_in(folder)
    for notice in data.notices:
        _say(notice)


def _check(options: argparse.Namespace) -> int:
    from kit.errors import StudyError

    try:
        _checked(Path(options.study))
    except StudyError as error:
        for problem in error.problems:
            print(problem)
        _say(str(error).splitlines()[0])
        return PROBLEMS
    print("No problems found.")
    return DONE


def _status(options: argparse.Namespace) -> int:
    from kit.study.status import study_status

    status = study_status(Path(options.study))
    print(status)
    return PROBLEMS if status.problems else DONE


def _report(options: argparse.Namespace) -> int:
    from kit.cli_many import holds_studies, report_many

    one_thread()
    parameters = {name: _value(text) for name, text in _pairs(options.option)}
    options.template = options.template or default_template(Path(options.study))
    if options.scheduler or holds_studies(Path(options.study)):
        return report_many(options, parameters)
    from kit.report.render import render_report

    rendered = render_report(
        options.study, template=options.template, parameters=parameters, progress=True
    )
    if rendered.sentence:
        print(rendered.sentence)
    print(f"Report: {_shown(rendered.page)}")
    return DONE


def _pairs(texts: Sequence[str]) -> list[tuple[str, str]]:
    from kit.errors import UsageError

    pairs = []
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals:
            raise UsageError(f"{text!r}: write NAME=VALUE.")
        pairs.append((name.strip(), value.strip()))
    return pairs


def _value(text: str) -> object:
    """Read an option as JSON where it is JSON, else as text; nothing is evaluated."""
    import json

    try:
        return json.loads(text)
    except json.JSONDecodeError:
        return text


if __name__ == "__main__":
    sys.exit(main())
