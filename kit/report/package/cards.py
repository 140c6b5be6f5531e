"""Cards of printer, spool and instruments, the licence and how to cite: small files beside the tables."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd

from kit.study.data import StudyData
from kit.study.description import Section, Study

LICENCES = {
    "CC0-1.0": ("Creative Commons Zero 1.0", "https://creativecommons.org/publicdomain/zero/1.0/"),
    "CC-BY-4.0": (
        "Creative Commons Attribution 4.0",
        "https://creativecommons.org/licenses/by/4.0/",
    ),
    "CC-BY-SA-4.0": (
        "Creative Commons Attribution Share-Alike 4.0",
        "https://creativecommons.org/licenses/by-sa/4.0/",
    ),
    "ODbL-1.0": (
        "Open Data Commons Open Database License 1.0",
        "https://opendatacommons.org/licenses/odbl/1-0/",
    ),
    "ODC-By-1.0": (
        "Open Data Commons Attribution License 1.0",
        "https://opendatacommons.org/licenses/by/1-0/",
    ),
    "PDDL-1.0": (
        "Open Data Commons Public Domain Dedication and Licence 1.0",
        "https://opendatacommons.org/licenses/pddl/1-0/",
    ),
}
"""Licences for data, by their SPDX name."""


def licences(study: Study) -> list[dict[str, str]]:
    """Give the descriptor's licences; empty when the study states none."""
    if not study.licence:
        return []
    if study.licence in LICENCES:
        title, path = LICENCES[study.licence]
        return [{"name": study.licence, "title": title, "path": path}]
    return [{"name": study.licence.replace(" ", "-"), "title": study.licence}]


def card_files(data: StudyData) -> dict[str, bytes]:
    """Give the cards, by path.

    Parameters
    ----------
    data : StudyData
        The study as taken in.

    Returns
    -------
    dict of path to bytes
        JSON, keys as in ``study.toml``.
    """
    cards: dict[str, Any] = {
        "cards/printer.json": _card(data.study.printer),
        "cards/spool.json": _card(data.study.material),
        "cards/specimen.json": _card(data.study.specimen),
        "cards/instruments.json": _instruments(data.readings),
    }
    return {name: _json(card) for name, card in cards.items()}


def _card(section: Section) -> dict[str, Any]:
    return {k: v for k, v in section.model_dump(mode="json").items() if v is not None and v != ""}


def _instruments(readings: pd.DataFrame) -> list[dict[str, Any]]:
    """List what was read with what: one entry an instrument and quantity."""
    cards = []
    keys = ["instrument", "quantity", "unit"]
    for (instrument, quantity, unit), group in readings.groupby(keys, sort=True, dropna=False):
        cards.append(
            {
                "instrument": str(instrument) or "not named",
                "quantity": str(quantity),
                "unit": str(unit),
                "readings": len(group),
                "smallest_step": _step(group["value"]),
            }
        )
    return cards


def _step(values: pd.Series[float]) -> float | None:
    """Give the smallest step between two different readings: the finest that the display can show."""
    steps = values.drop_duplicates().sort_values().diff().dropna().round(9)
    steps = steps[steps > 0]
    return float(steps.min()) if len(steps) else None


def citation(study: Study, version: str) -> bytes:
    """Give ``CITATION.cff`` (Citation File Format 1.2.0)."""
    names = study.authors or ("authors not stated",)
    lines = [
        "cff-version: 1.2.0",
        "message: If you use these data, please cite them.",
        "type: dataset",
        f"title: {json.dumps(study.title, ensure_ascii=False)}",
        "authors:",
        *(f"  - name: {json.dumps(n, ensure_ascii=False)}" for n in names),
        f"version: {json.dumps(version)}",
    ]
    if study.date:
        lines.append(f"date-released: {study.date.isoformat()}")
    if study.licence in LICENCES:
        lines.append(f"license: {study.licence}")
    return ("\n".join(lines) + "\n").encode()


def _json(value: object) -> bytes:
    return (json.dumps(value, indent=1, ensure_ascii=False) + "\n").encode()
