"""A finished report in miniature: real files, a hand-written notebook, no kernel."""

from __future__ import annotations

import base64
import struct
import zlib
from pathlib import Path
from typing import Any

import nbformat

from kit.report.document import (
    Answer,
    Block,
    CautionList,
    FigureBlock,
    Group,
    Heading,
    Results,
    Sentences,
    Table,
)
from kit.report.numbers import overall_digest
from kit.report.write import results_text
from kit.study.intake import take_in

STUDY = """\
title = "{title}"
question = "Does a warmer nozzle give a glossier tag? [[really]] {{{{yes}}}}"
scope = "Name tags only"
seed = 11
date = 2026-03-02
licence = "CC-BY-4.0"
authors = ["Invented Makerspace"]
{head}
[material]
name = "grey spool"
polymer = "PLA"
colour = "grey"
[printer]
name = "bench printer"
[[factor]]
name = "nozzle"
kind = "nozzle_temperature"
unit = "degC"
low = 190
high = 230
step = 5
[[response]]
name = "gloss"
unit = "GU"
from = "gloss"
lower = 30
"""
RUNS = "run,round,block,print_order,nozzle,status,note\n1,first,1,1,190,printed,\n2,first,1,2,230,printed,\n3,first,1,3,210,failed,came off\n"
READINGS = "run,specimen,quantity,value,unit,repeat,operator,instrument,excluded,note\n1,A,gloss,31,GU,1,,,,\n2,A,gloss,52,GU,1,,,,\n"


def png(grey: int, size: int = 8) -> bytes:
    """A small square of one grey."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    rows = b"".join(b"\0" + bytes([grey]) * size for _ in range(size))
    head = struct.pack(">IIBBBBB", size, size, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )


def blocks(title: str, grey: int, said: str) -> list[Block]:
    picture = base64.b64encode(png(grey)).decode()
    return [
        Group((
            Heading(title, 1),
            Answer("Set 215.", "Not yet confirmed."),
            Sentences(("Read this first.", "And | this."), tone="notice", title="Before you act on it"),
        )),
        Heading("How sure are we?", 2),
        Table(("Response", "Required", "P>|t|"), (("gloss", "at least 30 GU", "−0.5"), ("[[odd]]", "{{cell}}", "|-")), "A table", numeric=(2,)),
        Sentences((said,)),
        Heading("What do the settings do?", 2),
        FigureBlock("effects-gloss", picture, "Gloss rises with the nozzle [from 31 to 52 GU] | so it seems", "Each dot ''is'' a print."),
        Heading("What was printed and measured", 2),
        Sentences(("Run 3 failed: came off.",), tone="notice", title="What failed"),
        Table(("What", "Value"), (("seed", "11"),), "Folded", folded=True),
        Heading("Cautions and limits", 2),
        CautionList(("Hot.", "Sharp."), "Scope: name tags."),
    ]  # fmt: skip


def write_small_report(
    folder: Path,
    *,
    title: str = "Warm and glossy",
    head: str = "",
    grey: int = 90,
    said: str = "Only a little.",
    readings: str = READINGS,
    recommended: bool = True,
    confirmation: dict[str, Any] | None = None,
) -> Path:
    """Write study and report; the same arguments give the same bytes."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "study.toml").write_text(STUDY.format(title=title, head=head), encoding="utf-8")
    (folder / "runs.csv").write_text(RUNS, encoding="utf-8")
    (folder / "readings.csv").write_text(readings, encoding="utf-8")
    choice = {
        "settings": {"nozzle": 215.0}, "probability": 0.94, "probability_low": 0.8, "probability_high": 0.99,
        "predictions": {"gloss": {"mean": 41.0, "low": 33.0, "high": 49.0}},
    }  # fmt: skip
    results: dict[str, Any] = {
        "schema": 1, "title": title, "digest": overall_digest(take_in(folder).digests), "models": {},
        "recommended": choice if recommended else None,
        "best_compromise": None if recommended else {**choice, "binding": "gloss"},
        "window": {"confidence": 0.9, "share": 0.1, "ranges": {"nozzle": [210.0, 220.0]} if recommended else {}},
        "confirmation": confirmation, "cautions": [], "provenance": {},
    }  # fmt: skip
    cells = []
    for number, block in enumerate(blocks(title, grey, said)):
        data, metadata = block._repr_mimebundle_()
        cells.append(_cell(number, data, metadata))
    data, metadata = Results(results)._repr_mimebundle_()
    cells.append(_cell(99, data, metadata))
    notebook = nbformat.v4.new_notebook(cells=cells)
    report = folder / "report"
    (report / "figures").mkdir(parents=True, exist_ok=True)
    (report / "surface.ipynb").write_text(nbformat.writes(notebook), encoding="utf-8")
    (report / "results.json").write_text(results_text(results), encoding="utf-8")
    (report / "index.html").write_text("<!DOCTYPE html><title>Report</title>", encoding="utf-8")
    (report / "figures" / "effects-gloss.png").write_bytes(png(grey))
    return folder


def _cell(number: int, data: dict[str, Any], metadata: dict[str, Any]) -> Any:
    output = nbformat.v4.new_output("display_data", data=data, metadata=metadata)
    cell = nbformat.v4.new_code_cell(
        "kit.show_something()", outputs=[output], execution_count=number + 1
    )
    cell.id = f"cell-{number}"
    return cell
