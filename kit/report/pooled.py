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

from kit.bench.cautions import cautions_for, scope_line
from kit.errors import KitError, StudyError
from kit.pool import PooledAnswer, pool
from kit.pool_frame import StudySummary, shared_frame, summarise
from kit.report.document import Answer, Block, CautionList, Document, Heading, Sentences, Table
from kit.report.html import page_html
from kit.report.lock import only_writer
from kit.report.stage import clear_up, replace_folder
from kit.report.wording import (
    decimals_for,
    interval,
    number,
    percent,
    requirement,
    settings_line,
    spoken,
    with_unit,
)
from kit.report.write import results_text
from kit.study.description import Study
from kit.study.read import read_study

FOLDER = "pool"

_HOW = (
    "Every study was condensed to its cross-products (sums of squares and products of settings and print means) in a coding that "
    "all share; one surface was fitted to all of them, with effects of each printer drawn from a normal distribution (restricted "
    "maximum likelihood, Patterson and Thompson 1971). The chance comes from a Student t for one new part on one new printer, "
    "degrees of freedom after Satterthwaite."
)


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
        (stage / "results.json").write_text(results_text(numbers), encoding="utf-8", newline="\n")

    with only_writer(folder):
        clear_up(target)
        replace_folder(target, fill)
    return target / "index.html"


def pooled_numbers(answer: PooledAnswer) -> dict[str, Any]:
    """Give the contents of the pool's ``results.json``: full precision, the studies' units."""
    return {
        "schema": 1,
        "title": _title(answer),
        "printers": {p: {"prints": n} for p, n in answer.prints.items()},
        "models": {
            name: {
                "coefficients": [float(v) for v in fit.coefficients],
                "between_printers": {
                    str(c): float(v) for c, v in zip(fit.random, fit.components, strict=False)
                },
                "print_variance": float(fit.components[-1]),
            }
            for name, fit in answer.fits.items()
        },
        "recommended" if answer.reached else "best_compromise": {
            "settings": dict(answer.settings),
            "probability_on_a_new_printer": answer.probability,
            "predictions": {
                n: {"mean": p.mean, "low": p.low, "high": p.high}
                for n, p in answer.predictions.items()
            },
        },
        "window": {"confidence": answer.study.window.confidence, "share": answer.share},
    }


def _title(answer: PooledAnswer) -> str:
    what = answer.study.material.polymer or "One material"
    return f"{what} on {len(answer.printers)} printers"


def answer_sentence(answer: PooledAnswer) -> str:
    """Say the settings and the chance on a new printer."""
    best = settings_line(answer.study, answer.settings)
    chance = percent(answer.probability)
    asked = percent(answer.study.window.confidence)
    if answer.reached:
        return f"On a printer that nobody has tried yet: {best}. Chance that one new part meets every requirement: {chance}."
    return (
        f"No settings reach {asked} on a printer that nobody has tried yet. The best: {best}, with a chance of {chance} "
        "that one new part meets every requirement."
    )


def pooled_document(answer: PooledAnswer, left_out: Mapping[str, str]) -> Document:
    """Build the page.

    Parameters
    ----------
    answer : PooledAnswer
        The pooled answer.
    left_out : mapping of study to str
        Studies that could not take part, and why.

    Returns
    -------
    Document
    """
    status = f"From {sum(answer.prints.values())} prints on {len(answer.printers)} printers; not confirmed on another one yet."
    blocks: list[Block] = [
        Answer(answer_sentence(answer), status, reached=answer.reached),
        Heading("What a new printer would give", 2),
        _foretold(answer),
        Heading("How far printers differ", 2),
        _spread(answer),
        _shifts(answer),
        Heading("How it was done", 2),
        Sentences(
            (
                _HOW,
                *answer.notes,
            )
        ),
    ]
    if left_out:
        said = tuple(f"{n}: {text.splitlines()[0]}" for n, text in left_out.items())
        blocks.append(Sentences(said, tone="notice", title="Studies that were left out"))
    cautions = tuple(c.text for c in cautions_for(answer.study))
    blocks += [Heading("Cautions and limits", 2), CautionList(cautions, scope_line(answer.study))]
    return Document(_title(answer), tuple(blocks))


def _foretold(answer: PooledAnswer) -> Table:
    rows = []
    for response in answer.study.responses:
        p = answer.predictions[response.name]
        chance = percent(answer.alone[response.name]) if response.name in answer.alone else "–"
        rows.append((
            spoken(response.name), requirement(response) if response.has_limits else "–",
            with_unit(number(p.mean, decimals_for(p.high - p.low)), response.unit),
            interval(p.low, p.high, response.unit), chance,
        ))  # fmt: skip
    columns = ("Response", "Required", "Expected", "95 % of new parts", "Chance")
    return Table(
        columns,
        tuple(rows),
        "One new part on a printer that nobody has tried, at these settings.",
        numeric=(2, 3, 4),
    )


def _spread(answer: PooledAnswer) -> Table:
    rows = []
    for response in answer.study.responses:
        between, within = answer.between[response.name], answer.within[response.name]
        decimals = decimals_for(2 * max(between, within))
        rows.append((
            spoken(response.name), with_unit(number(between, decimals), response.unit),
            with_unit(number(within, decimals), response.unit),
        ))  # fmt: skip
    columns = ("Response", "Between printers", "Between parts of one printer")
    return Table(
        columns, tuple(rows), "Scatter at these settings, as standard deviations.", numeric=(1, 2)
    )


def _shifts(answer: PooledAnswer) -> Table:
    responses = answer.study.responses
    rows = []
    for i, printer in enumerate(answer.printers):
        cells = []
        for r in responses:
            decimals = decimals_for(2 * max(answer.between[r.name], answer.within[r.name]))
            cells.append(with_unit(number(float(answer.shifts[r.name][i]), decimals), r.unit))
        rows.append((printer, str(answer.prints[printer]), *cells))
    columns = ("Printer", "Prints", *(spoken(r.name) for r in responses))
    caption = "How far each printer lies from the average one at these settings, drawn towards 0 by as much as it is uncertain."
    return Table(columns, tuple(rows), caption, numeric=tuple(range(1, len(columns))))
