"""A study's wiki page: the same order on every wiki, the answer first and the small print last."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from kit.charts.formula import draw_formula
from kit.report.document import (
    Answer,
    Block,
    Downloads,
    FigureBlock,
    Heading,
    Prose,
    Sentences,
    Table,
)
from kit.report.finished import FinishedReport
from kit.report.standing import Standing, standing_of
from kit.report.wiki.advice import choice_of, good_for, how_to_adopt, not_good_for
from kit.report.wiki.page import Attachment, WikiPage, slug
from kit.report.wiki.prose import formulas
from kit.report.wiki.sections import Sorted, sort_blocks
from kit.report.wording import requirement, settings_line
from kit.saying import percent
from kit.study.description import Study
from kit.study.progress import planned_runs

SECOND_ORDER = r"""
The full second-order model, at settings coded from −1 to +1, is

$$
\hat{y}(x) = b_0 + \sum_i b_i x_i + \sum_{i<j} b_{ij} x_i x_j + \sum_i b_{ii} x_i^2
$$

where $b_i$ is half of what a response changes from one end of a setting to the other.
"""


def study_page(
    report: FinishedReport,
    *,
    history: Sequence[tuple[str, str, str]] = (),
    package: bytes | None = None,
) -> WikiPage:
    """Build the wiki page of a study.

    Parameters
    ----------
    report : FinishedReport
        The study with its report.
    history : sequence of (date, version, what)
        One row a published version, newest last.
    package : bytes, optional
        The data package, a zip file.

    Returns
    -------
    WikiPage
    """
    study, found = report.study, sort_blocks(report.document)
    standing = standing_of_report(report)
    attachments = [*_figures(report.document.blocks), *_downloads(report, package)]
    blocks = tuple(
        _blocks(report, found, standing, history, [a for a in attachments if a.key[:1] == "/"])
    )
    attachments += _formula_pictures(blocks)
    return WikiPage(
        study.title,
        blocks,
        _categories(study, standing),
        {a.key: a for a in attachments},
        report.results["digest"],
    )


def standing_of_report(report: FinishedReport) -> Standing:
    """Say where a study's finding stands."""
    planned = planned_runs(report.data.runs)
    return standing_of(report.results, withdrawn=report.study.withdrawn, planned=planned)


def _blocks(
    report: FinishedReport,
    found: Sorted,
    standing: Standing,
    history: Sequence[tuple[str, str, str]],
    downloads: list[Attachment],
) -> Iterator[Block]:
    study, results = report.study, report.results
    yield Sentences((standing.sentence,), tone="notice", title=f"Status: {standing.word}")
    yield _facts(study)
    yield from _settings(study, report, found)
    yield from [*found.question, *found.before]
    yield from _listed("Good for", good_for(study, results))
    yield from _listed("Not good for", not_good_for(study, results, standing))
    yield from _section("Requirements", found.requirements or [_requirements(study)])
    yield from _section("Results", found.results)
    yield from _section("Figures", found.figures)
    yield from _section("What failed", found.failed or [Sentences(("No print failed.",))])
    steps = how_to_adopt(study, results)
    if steps:
        yield from _listed("How to adopt these settings", steps)
    yield from _section("Cautions", found.cautions)
    yield from _section("Method", _with_formula(found.method))
    yield from _section(
        "Downloads", [_licence(study), Downloads(tuple(_download_lines(downloads)))]
    )
    yield from _section("History", _history(history))


def _with_formula(method: list[Block]) -> list[Block]:
    """Put the model's formula behind the first words on the method."""
    for i, block in enumerate(method):
        if isinstance(block, Prose):
            return [*method[: i + 1], Prose(SECOND_ORDER.strip()), *method[i + 1 :]]
    return method


def _section(title: str, blocks: Sequence[Block]) -> Iterator[Block]:
    if blocks:
        yield Heading(title, 2)
        yield from blocks


def _listed(title: str, items: Sequence[str]) -> Iterator[Block]:
    if items:
        yield Heading(title, 2)
        yield Sentences(tuple(items))


def _facts(study: Study) -> Table:
    printer, material = study.printer, study.material
    rows = [
        ("Printer", printer.name or "not named"),
        ("Nozzle", f"{printer.nozzle_diameter:g} mm, layer {printer.layer_height:g} mm"),
        ("Polymer", material.polymer or "not stated"),
        ("Colour", material.colour or "not stated"),
    ]
    if material.name:
        rows.insert(2, ("Spool", material.name))
    rows.append(("Printed", study.date.isoformat() if study.date else "date not stated"))
    return Table(("", ""), tuple(rows))


def _settings(study: Study, report: FinishedReport, found: Sorted) -> Iterator[Block]:
    choice = choice_of(report.results)
    answer = found.answer
    if choice is None:
        if answer is not None:
            yield Answer(answer.sentence, answer.status, reached=False)
        return
    line = settings_line(study, choice["settings"])
    chance = ""
    if choice["probability"] is not None:
        low, high = choice["probability_low"], choice["probability_high"]
        chance = (
            f"Chance that one new part meets every requirement: {percent(choice['probability'])}"
        )
        chance += (
            f" (95 % interval {percent(low)} to {percent(high)})."
            if low is not None and high is not None
            else "."
        )
    reached = report.results.get("recommended") is not None
    lead = "" if reached else "Best compromise, not a recommendation: "
    yield Answer(f"{lead}{line}", chance, reached=reached)


def _requirements(study: Study) -> Table:
    rows = tuple((r.title, requirement(r)) for r in study.responses)
    return Table(("Response", "Required"), rows)


def _licence(study: Study) -> Sentences:
    names = f" by {', '.join(study.authors)}" if study.authors else ""
    if study.licence:
        return Sentences((f"Data{names}, licence {study.licence}.",))
    return Sentences((f"Data{names}; no licence is stated, so ask before you use them elsewhere.",))


def _history(history: Sequence[tuple[str, str, str]]) -> list[Block]:
    made = (
        "This page is written by testprint and replaced as a whole when the study grows. "
        "What people want to say about it belongs on the page for remarks, which is never touched."
    )
    table = [Table(("Date", "Version of the data", "What"), tuple(history))] if history else []
    return [*table, Sentences((made,), tone="minor")]


def _categories(study: Study, standing: Standing) -> tuple[str, ...]:
    names = ["Print settings"]
    if study.material.polymer:
        names.append(f"{study.material.polymer} settings")
    names.append(f"Nozzle {study.printer.nozzle_diameter:g} mm")
    names.append(f"Settings {standing.word}")
    return tuple(names)


def _figures(blocks: Sequence[Block]) -> list[Attachment]:
    return [
        Attachment(b.name, slug(b.name), "png", b.data)
        for b in blocks
        if isinstance(b, FigureBlock)
    ]


_DOWNLOADS = (
    ("runs.csv", "every run with its settings, printed or failed"),
    ("readings.csv", "every reading as it was taken"),
    ("gauge.csv", "readings that tell how good the measuring is"),
    ("references.csv", "readings of known references"),
    ("study.toml", "what was varied, measured and required"),
    ("results.json", "all numbers of the report, full precision"),
    ("surface.ipynb", "the executed notebook"),
    (
        "data-package.zip",
        "all of it with a description of every column; testprint open turns it back into a study",
    ),
)
"""Downloads have keys that begin with a slash, so that no figure can have the same."""


def _downloads(report: FinishedReport, package: bytes | None) -> Iterator[Attachment]:
    places = {"results.json": report.report, "surface.ipynb": report.report}
    for name, _ in _DOWNLOADS:
        path = places.get(name, report.folder) / name
        if name == "data-package.zip":
            if package is not None:
                yield Attachment(f"/{name}", "data-package", "zip", package)
        elif path.is_file():
            yield Attachment(
                f"/{name}", slug(Path(name).stem), Path(name).suffix[1:], path.read_bytes()
            )


def _download_lines(downloads: list[Attachment]) -> Iterator[tuple[str, str, str]]:
    notes = dict(_DOWNLOADS)
    for attachment in downloads:
        name = attachment.key[1:]
        yield attachment.key, name, f"{notes[name]}, {_size(len(attachment.data))}"


def _size(n: int) -> str:
    return f"{max(1, round(n / 1000))} kB" if n < 1_000_000 else f"{n / 1_000_000:.1f} MB"


def _formula_pictures(blocks: Sequence[Block]) -> list[Attachment]:
    wanted = dict.fromkeys(
        tex for b in blocks if isinstance(b, Prose) for tex in formulas(b.markdown)
    )
    drawn = [(tex, draw_formula(tex)) for tex in wanted]
    return [Attachment(tex, "formula", "png", png) for tex, png in drawn if png is not None]
