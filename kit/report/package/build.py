"""Build the data package of a finished study: Frictionless Data Package, one zip, the same bytes each time."""

from __future__ import annotations

import json
from hashlib import sha256
from pathlib import PurePosixPath
from typing import Any

import pandas as pd

from kit.bench.instruments import specimen_results
from kit.bench.measured import Measured
from kit.report.finished import FinishedReport
from kit.report.package.cards import card_files, citation, licences
from kit.report.package.schema import readings_schema, results_schema, runs_schema
from kit.report.standing import standing_of
from kit.report.wiki.bundle import zip_bytes
from kit.report.wiki.page import slug
from kit.report.wording import settings_line
from kit.study.folder import PAGE_FILE, RESULTS_FILE
from kit.study.progress import planned_runs
from kit.study.tables import table_text

DESCRIPTOR = "datapackage.json"
STUDY_PLACE = "study/"
REPORT_PLACE = "report/"
MEDIA = {
    "csv": "text/csv",
    "json": "application/json",
    "toml": "application/toml",
    "ipynb": "application/x-ipynb+json",
    "html": "text/html",
    "png": "image/png",
    "md": "text/markdown",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}

README = """\
# {title}

{question}

{finding}

This is a data package (the Frictionless standards "Data Package" and "Table Schema"): `datapackage.json` describes every file, and
every column of the tables with its unit.

| place | holds |
|---|---|
| `tables/` | runs, readings and results as they were read: comma-separated, UTF-8, decimal points, empty = missing |
| `study/` | the study's files exactly as the maker wrote them |
| `report/` | the page, its figures, `results.json` with all numbers, the executed notebook |
| `cards/` | printer, spool, specimen, instruments |

With pandas: `pd.read_csv("tables/runs.csv", dtype={{"run": str}})`. Back into a study: `testprint open data-package.zip FOLDER`.

{licence}
"""


def package_files(report: FinishedReport) -> dict[str, bytes]:
    """Give every file of the package, by path.

    Parameters
    ----------
    report : FinishedReport
        The study with its report.

    Returns
    -------
    dict of path to bytes
    """
    measured = specimen_results(report.data)
    tables = _tables(report, measured)
    files = {f"tables/{name}.csv": table_text(frame).encode() for name, frame in tables.items()}
    files |= {
        f"{STUDY_PLACE}{n}": (report.folder / n).read_bytes() for n in sorted(report.data.digests)
    }
    files |= _report_files(report)
    files |= card_files(report.data)
    files["CITATION.cff"] = citation(report.study, report.results["digest"][:12])
    files["README.md"] = _readme(report).encode()
    files[DESCRIPTOR] = _json(_descriptor(report, tables, files))
    return files


def package_bytes(report: FinishedReport) -> bytes:
    """Give the package as one zip."""
    return zip_bytes(package_files(report))


def _tables(report: FinishedReport, measured: dict[str, Measured]) -> dict[str, pd.DataFrame]:
    parts = []
    for name, result in measured.items():
        frame = result.prints.assign(response=name, unit=result.response.unit)
        parts.append(frame[["run", "response", "value", "unit", "specimens", "readings"]])
    tables = {"runs": report.data.runs, "readings": report.data.readings}
    if parts:
        tables["results"] = pd.concat(parts, ignore_index=True)
    return tables


def _report_files(report: FinishedReport) -> dict[str, bytes]:
    paths = [report.report / PAGE_FILE, report.report / RESULTS_FILE, report.notebook]
    paths += sorted((report.report / "figures").glob("*.png"))
    return {
        f"{REPORT_PLACE}{p.relative_to(report.report).as_posix()}": p.read_bytes()
        for p in paths
        if p.is_file()
    }


def _descriptor(
    report: FinishedReport, tables: dict[str, pd.DataFrame], files: dict[str, bytes]
) -> dict[str, Any]:
    study = report.study
    schemas = {
        "runs": runs_schema(study, list(tables["runs"].columns)),
        "readings": readings_schema(list(tables["readings"].columns)),
        "results": results_schema(),
    }
    resources = [_resource(path, files[path], schemas) for path in sorted(files)]
    descriptor: dict[str, Any] = {
        "profile": "data-package",
        "name": slug(study.title),
        "title": study.title,
        "description": study.question or study.title,
        "version": report.results["digest"][:12],
        "keywords": [
            "filament printing",
            "designed experiment",
            *([study.material.polymer] if study.material.polymer else []),
        ],
        "resources": sorted(
            resources, key=lambda r: (r["profile"] != "tabular-data-resource", r["path"])
        ),
    }
    if licences(study):
        descriptor["licenses"] = licences(study)
    if study.authors:
        descriptor["contributors"] = [{"title": a, "role": "author"} for a in study.authors]
    return descriptor


def _resource(path: str, data: bytes, schemas: dict[str, Any]) -> dict[str, Any]:
    place = PurePosixPath(path)
    suffix = place.suffix.lstrip(".")
    table = place.parent.name == "tables"
    resource: dict[str, Any] = {
        "name": place.stem if table else slug(path.replace("/", "-")),
        "path": path,
        "profile": "tabular-data-resource" if table else "data-resource",
        "format": suffix,
        "mediatype": MEDIA.get(suffix, "application/octet-stream"),
        "bytes": len(data),
        "hash": f"sha256:{sha256(data).hexdigest()}",
    }
    if table:
        resource |= {
            "encoding": "utf-8",
            "dialect": {"delimiter": ","},
            "schema": schemas[place.stem],
        }
    return resource


def _readme(report: FinishedReport) -> str:
    study, results = report.study, report.results
    planned = planned_runs(report.data.runs)
    standing = standing_of(results, withdrawn=study.withdrawn, planned=planned)
    finding = f"Status: {standing.word}. {standing.sentence}"
    if results.get("recommended"):
        finding = (
            f"Settings: {settings_line(study, results['recommended']['settings'])}.\n\n{finding}"
        )
    licence = (
        f"Licence: {study.licence}."
        if study.licence
        else "No licence is stated: ask before you use the data elsewhere."
    )
    text = README.format(
        title=study.title, question=study.question, finding=finding, licence=licence
    )
    return text.replace("\n\n\n", "\n\n")


def _json(value: object) -> bytes:
    return (json.dumps(value, indent=1, ensure_ascii=False) + "\n").encode()
