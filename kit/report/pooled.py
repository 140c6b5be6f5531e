"""The page of several studies pooled over printers, and the work behind it: on this machine or on a cluster."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from importlib.metadata import version
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from kit.errors import KitError, StudyError
from kit.pool import PooledAnswer, pool
from kit.pool_frame import StudySummary, shared_frame, summarise
from kit.report.document import FigureBlock
from kit.report.html import page_html
from kit.report.lock import only_writer
from kit.report.show_pooled import answer_sentence, pooled_document, pooled_numbers
from kit.report.stage import clear_up, replace_folder
from kit.report.write import results_text
from kit.study.description import Study
from kit.study.read import read_study

FOLDER = "pool"


@dataclass(frozen=True)
class Pooled:
    """A pooled answer, where its page lies, and the studies that could not take part.

    Attributes
    ----------
    page : Path
    answer : PooledAnswer
    left_out : mapping of study to str
        Why.
    """

    page: Path
    answer: PooledAnswer
    left_out: Mapping[str, str]

    @property
    def sentence(self) -> str:
        """The answer in a sentence."""
        return answer_sentence(self.answer)


def pool_studies(
    folder: Path,
    studies: Sequence[Path],
    *,
    workers: int = 1,
    scheduler: str | None = None,
    tell: Callable[[], None] = lambda: None,
) -> Pooled:
    """Pool the studies of a folder and write the page.

    Parameters
    ----------
    folder : Path
        Where ``pool/`` is written.
    studies : sequence of Path
        Study folders.
    workers : int
        Processes on this machine.
    scheduler : str, optional
        Address of a Dask scheduler that does the work instead.
    tell : callable
        Called after each study.

    Returns
    -------
    Pooled

    Raises
    ------
    ModelError
        If what is left cannot be pooled.
    RenderError
        If no scheduler answers.
    """
    names = {p.relative_to(folder).as_posix(): p.resolve() for p in studies}
    read, left_out = _read(names)
    frame, unfit = shared_frame(read)
    left_out |= unfit
    tasks = {n: names[n] for n in read if n not in unfit}
    summaries: list[StudySummary] = []
    for name, found in _summaries(tasks, frame, workers, scheduler):
        if isinstance(found, str):
            left_out[name] = found
        else:
            summaries.append(found)
        tell()
    answer = pool(summaries, frame)
    return Pooled(_write(folder, answer, left_out), answer, dict(sorted(left_out.items())))


def _read(names: Mapping[str, Path]) -> tuple[dict[str, Study], dict[str, str]]:
    read: dict[str, Study] = {}
    broken: dict[str, str] = {}
    for name, path in names.items():
        try:
            read[name] = read_study(path)
        except (KitError, OSError) as error:
            broken[name] = _why(error)
    return read, broken


def _why(error: Exception) -> str:
    return "\n".join(map(str, error.problems)) if isinstance(error, StudyError) else str(error)


def _summary(task: tuple[str, Path], frame: Study) -> tuple[str, StudySummary | str]:
    """Condense one study, or say why not."""
    name, path = task
    try:
        return name, summarise(path, frame)
    except (KitError, OSError) as error:
        return name, _why(error)


def _summaries(
    tasks: Mapping[str, Path], frame: Study, workers: int, scheduler: str | None
) -> Iterator[tuple[str, StudySummary | str]]:
    work = partial(_summary, frame=frame)
    if scheduler is not None:
        yield from _on_cluster(work, list(tasks.items()), scheduler)
    elif workers < 2 or len(tasks) < 2:
        yield from map(work, tasks.items())
    else:
        context = get_context("fork" if sys.platform == "linux" else "spawn")
        with ProcessPoolExecutor(min(workers, len(tasks)), mp_context=context) as pool_:
            yield from pool_.map(work, list(tasks.items()))


def _on_cluster(
    work: Callable[[tuple[str, Path]], Any], tasks: list[tuple[str, Path]], scheduler: str
) -> Iterator[tuple[str, StudySummary | str]]:
    from distributed import as_completed

    from kit.report.cluster import connect

    with connect(scheduler) as client:
        futures = client.map(work, tasks, pure=False, retries=2)
        for future in as_completed(futures, loop=client.loop):
            yield future.result()


def _write(folder: Path, answer: PooledAnswer, left_out: Mapping[str, str]) -> Path:
    document, numbers = pooled_document(answer, left_out), pooled_numbers(answer)
    target = folder / FOLDER

    def fill(stage: Path) -> None:
        footer = f"Made by testprint-kit {version('testprint-kit')} from the cross-products of {len(answer.prints)} printers' studies."
        (stage / "index.html").write_text(
            page_html(document, footer=footer), encoding="utf-8", newline="\n"
        )
        (stage / "figures").mkdir()
        for block in document.blocks:
            if isinstance(block, FigureBlock):
                (stage / "figures" / f"{block.name}.png").write_bytes(block.data)
        (stage / "results.json").write_text(results_text(numbers), encoding="utf-8", newline="\n")

    with only_writer(folder):
        clear_up(target)
        replace_folder(target, fill)
    return target / "index.html"
