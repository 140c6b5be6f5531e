"""The last part of a surface report: what was printed and measured, cautions, and where it comes from."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import Any

import pandas as pd

from kit.analysis import Analysis
from kit.bench.measured import censored_runs
from kit.charts.picture import Picture
from kit.charts.runs import draw_measured
from kit.report.document import Block, Group, Results, Sentences, Table
from kit.report.figures import figure_blocks
from kit.report.results import results_document
from kit.report.small_print import caution_list, provenance_blocks
from kit.report.wording import decimals_for, number, setting, spoken
from kit.saying import counted, with_unit
from kit.study.description import Study


def show_requirements(analysis: Analysis) -> Group:
    """Show the set-up: printer, spool, specimen and what was varied."""
    study = analysis.study
    rows = tuple(
        (
            spoken(f.name),
            ", ".join(f.levels)
            if f.is_category
            else f"{setting(f, f.low or 0.0)} to {setting(f, f.high or 0.0)}",
            "–" if f.step is None else setting(f, f.step),
        )
        for f in study.factors
    )
    varied = Table(("Varied", "Range", "Step"), rows, "What was varied.", numeric=(1, 2))
    return Group((_setup_table(study), varied))


def show_prints(analysis: Analysis) -> Group:
    """Show every result in print order, failed prints, and the table of runs."""
    blocks: list[Block] = [*figure_blocks(measured_drawings(analysis))]
    failed = analysis.runs[analysis.runs["status"] == "failed"]
    if len(failed):
        blocks.append(_failed(failed))
    notes = [n for m in analysis.measured.values() for n in m.notes]
    notes += list(analysis.data.notices)
    if notes:
        blocks.append(Sentences(tuple(dict.fromkeys(notes)), tone="minor"))
    blocks.append(_runs_table(analysis))
    return Group(tuple(blocks))


def measured_drawings(analysis: Analysis) -> Iterator[Callable[[], Picture]]:
    """Give the drawings of `show_prints`, one a response."""
    measured = analysis.measured.values()
    return (partial(draw_measured, m, analysis.runs, analysis.study) for m in measured)


def show_cautions(analysis: Analysis) -> Group:
    """Show the cautions that apply, and what the results are not for."""
    return Group((caution_list(analysis.study),))


def show_provenance(analysis: Analysis, parameters: Mapping[str, Any] | None = None) -> Group:
    """Show versions, seed and the digests of the files that the report was made from."""
    text = (
        "The same files give the same numbers. All of them stand in results.json beside this page, the pictures in "
        "figures, and the executed notebook shows each step."
    )
    return provenance_blocks(
        analysis.study, analysis.data.digests, parameters, text, with_overall=True
    )


def results(analysis: Analysis, parameters: Mapping[str, Any] | None = None) -> Results:
    """Carry the numbers of ``results.json`` out of the notebook."""
    return Results(results_document(analysis, parameters))


def _setup_table(study: Study) -> Table:
    printer, material, specimen = study.printer, study.material, study.specimen
    facts = [
        ("printer", printer.name or "not named"),
        (
            "nozzle, layer, line",
            f"{printer.nozzle_diameter:g}, {printer.layer_height:g}, {printer.line_width:g} mm",
        ),
        (
            "spool",
            ", ".join(t for t in (material.name, material.polymer, material.colour) if t)
            or "not named",
        ),
        ("specimens a print", str(specimen.specimens_per_print)),
    ]
    if material.stated_range:
        low, high = material.stated_range
        facts.insert(3, ("range printed on the spool", f"{low:g} to {high:g} °C"))
    if specimen.orientation:
        facts.append(("orientation", specimen.orientation))
    return Table(("Set-up", ""), tuple(facts), "Printer, spool and specimen.")


def _failed(failed: pd.DataFrame) -> Sentences:
    items = tuple(
        f"Run {row.run} failed" + (f": {row.note}." if str(row.note) else ".")
        for row in failed.itertuples()
    )
    return Sentences(items, tone="notice", title="What failed")


def _runs_table(analysis: Analysis) -> Table:
    study, runs = analysis.study, analysis.runs.sort_values("print_order")
    values = {name: m.prints.set_index("run")["value"] for name, m in analysis.measured.items()}
    at_least = {name: set(censored_runs(m)) for name, m in analysis.measured.items()}
    columns = ("Run", *(spoken(f.name) for f in study.factors), "Outcome")
    columns += tuple(study.response_named(n).title for n in values)
    rows = []
    for row in runs.to_dict("records"):
        cells = [
            str(row["run"]),
            *(setting(f, row[f"{f.name}_actual"]) for f in study.factors),
            str(row["status"]),
        ]
        for name, column in values.items():
            spread = float(column.std()) if len(column) > 1 else 1.0
            known = row["run"] in column.index
            text = number(float(column[row["run"]]), decimals_for(spread) + 1) if known else "–"
            text = f"≥ {text}" if row["run"] in at_least[name] else text
            cells.append(with_unit(text, study.response_named(name).unit) if known else text)
        rows.append(tuple(cells))
    numeric = tuple(i for i in range(1, len(columns)) if columns[i] != "Outcome")
    caption = f"All {counted(len(runs), 'run')} in print order, means of each print"
    return Table(columns, tuple(rows), caption, numeric=numeric, folded=True)
