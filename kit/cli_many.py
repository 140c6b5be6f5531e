"""Subcommands about many studies at once, their reports and their pool; and a study opened in JupyterLab."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from kit.report.batch import Outcome

DONE, PROBLEMS = 0, 1


def one_thread() -> None:
    """Keep the linear algebra to one thread: the matrices are small, and the bytes then never depend on the machine."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def report_options(report: argparse.ArgumentParser) -> None:
    """Add the options for a folder of studies."""
    group = report.add_argument_group(
        "many studies",
        "Given a folder of studies, renders those that changed since their last report.",
    )
    group.add_argument("--all", action="store_true", help="render unchanged studies too")
    group.add_argument(
        "--workers",
        type=_positive,
        metavar="NUMBER",
        help="studies at a time (default: one a processor)",
    )
    group.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="let the workers of a Dask cluster do it; they must see the same folders",
    )


def add_commands(add: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the subcommands of this module."""
    lab = add(
        "lab", _lab, "Open a study in JupyterLab: a home page of questions, and every notebook pointed at it.",
        "testprint lab my-study",
    )  # fmt: skip
    lab.add_argument("study", help="the study folder")
    lab.add_argument(
        "--no-browser", action="store_true", help="only start the server and print its address"
    )
    lab.add_argument(
        "--port", type=_positive, metavar="NUMBER", help="default: the first free one from 8888 on"
    )
    lab.add_argument(
        "--server-option", action="append", default=[], metavar="OPTION",
        help="an option for JupyterLab itself, such as --server-option=--ip=0.0.0.0",
    )  # fmt: skip
    lab.add_argument("--lay-out", action="store_true", help="only put the notebooks into the study")

    pool = add(
        "pool", _pool, "Pool studies of one material on several printers: the chance on a new printer.",
        "testprint pool my-studies",
    )  # fmt: skip
    pool.add_argument("folder", help="a folder with studies in it")
    pool.add_argument(
        "--workers",
        type=_positive,
        metavar="NUMBER",
        help="studies at a time (default: one a processor)",
    )
    pool.add_argument(
        "--scheduler", metavar="ADDRESS", help="let the workers of a Dask cluster do it"
    )


def _pool(options: argparse.Namespace) -> int:
    one_thread()
    from tqdm import tqdm

    from kit.report.batch import find_studies, need_found, processors
    from kit.report.pooled import pool_studies

    folder = Path(options.folder)
    studies = find_studies(folder) if folder.is_dir() else []
    need_found(studies, folder)
    with tqdm(
        total=len(studies), desc="Studies", unit="study", file=sys.stderr, leave=False
    ) as bar:

        def tell() -> None:
            bar.update()

        pooled = pool_studies(
            folder,
            studies,
            workers=options.workers or processors(),
            scheduler=options.scheduler,
            tell=tell,
        )
    print(pooled.sentence)
    print(f"Page: {Path(os.path.relpath(pooled.page)).as_posix()}")
    for name, text in pooled.left_out.items():
        print(f"{name}: left out")
        print("\n".join(f"  {line}" for line in text.splitlines()))
    return PROBLEMS if pooled.left_out else DONE


def _lab(options: argparse.Namespace) -> int:
    from kit.report.lab import lay_out, open_lab

    study = Path(options.study)
    home, kept = lay_out(study)
    for name in kept:
        print(
            f"{name}: you changed it, so it was kept; move it away to get the kit's present one.",
            file=sys.stderr,
        )
    print(f"Home: {Path(os.path.relpath(home)).as_posix()}")
    if options.lay_out:
        return DONE
    return (
        DONE
        if open_lab(
            study, browser=not options.no_browser, port=options.port, more=options.server_option
        )
        == 0
        else PROBLEMS
    )


def _positive(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"{text}: at least 1")
    return number


def holds_studies(folder: Path) -> bool:
    """Tell whether a folder is no study itself but has studies in it."""
    from kit.study.folder import STUDY_FILE

    if (folder / STUDY_FILE).is_file() or not folder.is_dir():
        return False
    from kit.report.batch import find_studies

    return bool(find_studies(folder))


def report_many(options: argparse.Namespace, parameters: Mapping[str, Any]) -> int:
    """Render a folder of studies, or one study on a cluster."""
    from tqdm import tqdm

    from kit.report.batch import find_studies, render_all

    folder = Path(options.study)
    studies = find_studies(folder) or [folder]
    tqdm.monitor_interval = 0  # its watching thread would forbid forking
    with tqdm(total=len(studies), desc="Reports", unit="study", file=sys.stderr) as bar:

        def tell(outcome: Outcome) -> None:
            if outcome.state == "rendered":
                bar.write(f"{_name(outcome, folder)}: {outcome.text}", file=sys.stdout)
                sys.stdout.flush()
            bar.update()

        outcomes = render_all(
            studies,
            template=options.template,
            parameters=parameters,
            always=options.all,
            workers=options.workers,
            scheduler=options.scheduler,
            tell=tell,
        )
    return _sum_up(outcomes, folder)


def _name(outcome: Outcome, folder: Path) -> str:
    return Path(os.path.relpath(outcome.study, folder.resolve().parent)).as_posix()


def _sum_up(outcomes: list[Outcome], folder: Path) -> int:
    count = {
        state: sum(o.state == state for o in outcomes)
        for state in ("rendered", "unchanged", "failed")
    }
    print(
        f"{len(outcomes)} studies: {count['rendered']} rendered, {count['unchanged']} unchanged, {count['failed']} failed.",
        file=sys.stderr,
    )
    for outcome in outcomes:
        if outcome.state == "failed":
            print(f"{_name(outcome, folder)}: no new report")
            print("\n".join(f"  {line}" for line in outcome.text.splitlines()))
    return PROBLEMS if count["failed"] else DONE
