"""Curves as readings: every curve gives the force, or the modulus, yield or strain, that a response asks for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from kit.bench.at_limit import AT_LIMIT, NEAR
from kit.bench.correction import correct_readings
from kit.bench.curves import CurveReading, read_curve
from kit.study.curve_files import RawCurve
from kit.study.data import StudyData
from kit.study.description import Response, Study
from kit.study.quantities import RECIPE_INPUTS, VALUE, inputs_of, quantity_names

Piece = tuple[str, str]
"""Run and specimen."""

GRIPPED = {
    "grip": "broke at the grip",
    "jaw": "broke at the grip",
    "clamp": "broke at the grip",
    "fillet": "broke at the fillet",
    "shoulder": "broke at the fillet",
    "support": "broke at a support",
}
"""Words in the note of a strength reading that tell of a break in the wrong place."""


@dataclass(frozen=True)
class StudyCurves:
    """All curves of a study, read.

    Attributes
    ----------
    readings : mapping of (run, specimen) to CurveReading
        In the order of the files.
    waiting : tuple of str
        Curves that could not be read yet, and why.
    """

    readings: Mapping[Piece, CurveReading] = field(default_factory=dict)
    waiting: tuple[str, ...] = ()


def study_curves(data: StudyData) -> StudyCurves:
    """Read all curves of a study with the sections that were measured.

    Parameters
    ----------
    data : StudyData
        A study taken in.

    Returns
    -------
    StudyCurves
        Curves of specimens whose width or thickness is not measured yet wait.
    """
    response = curve_response(data.study)
    if response is None or not data.curves:
        return StudyCurves()
    corrected = correct_readings(data.readings, data.references)
    sections = _sections(replace(data, readings=corrected.readings), response)
    found, waiting = {}, []
    for curve in data.curves:
        section = sections.get((curve.run, curve.specimen))
        if section is None:
            waiting.append(f"run {curve.run}, specimen {curve.specimen}")
            continue
        found[curve.run, curve.specimen] = _read(curve, section, response, data.study)
    notes = (
        (f"Curves without width and thickness, not read yet: {'; '.join(waiting)}.",)
        if waiting
        else ()
    )
    return StudyCurves(found, notes)


def curve_response(study: Study) -> Response | None:
    """Give the strength that the curves belong to: the first response of that kind; None without one."""
    strengths = [r for r in study.responses if r.recipe in RECIPE_INPUTS]
    test = study.curves.test or (strengths[0].recipe if strengths else "")
    mine = [r for r in strengths if r.recipe == test]
    return next((r for r in mine if inputs_of(r)), mine[0] if mine else None)


def readings_from_curves(data: StudyData, curves: StudyCurves) -> pd.DataFrame:
    """Give the study's readings with those that come off curves added.

    A force written in ``readings.csv`` wins over the curve's; an excluded strength reading of a specimen leaves its curve out
    as well.

    Parameters
    ----------
    data : StudyData
        A study taken in.
    curves : StudyCurves
        Its curves, read.

    Returns
    -------
    DataFrame
        As `StudyData.readings`.
    """
    test = curve_response(data.study)
    if test is None or not curves.readings:
        return data.readings
    barred = _barred(data, test)
    rows: list[dict[str, object]] = []
    for response in data.study.responses:
        if response.recipe != test.recipe:
            continue
        part = "force" if inputs_of(response) else VALUE
        name = _quantity(data.study, response.name, part)
        written = data.readings[data.readings["quantity"].isin([name, response.name])]
        taken = set(zip(written["run"], written["specimen"], strict=True))
        for piece, reading in curves.readings.items():
            value = _value(reading, response) if part == VALUE else reading.peak_force
            if piece not in taken and piece not in barred and np.isfinite(value):
                rows.append(_row(piece, name, response.name, part, value, data.study))
    if not rows:
        return data.readings
    return pd.concat([data.readings, pd.DataFrame(rows)], ignore_index=True)[
        list(data.readings.columns)
    ]


def break_flags(data: StudyData, response: Response) -> dict[Piece, str]:
    """Give what is odd about single specimens of a strength: flags of the curve, the limit, the place of the break."""
    if response.recipe not in RECIPE_INPUTS:
        return {}
    flags: dict[Piece, list[str]] = {}
    limit = data.study.curves.force_limit
    own = data.readings[data.readings["quantity"].map(_owner(data.study, response)).astype(bool)]
    for row in own.to_dict("records"):
        found = [text for word, text in GRIPPED.items() if word in str(row["note"]).casefold()]
        if limit is not None and row["part"] == "force" and row["value"] >= NEAR * limit:
            found.append(AT_LIMIT)
        flags.setdefault((row["run"], row["specimen"]), []).extend(found)
    test = curve_response(data.study)
    if test is not None and response.recipe == test.recipe:
        for piece, reading in study_curves(data).readings.items():
            flags.setdefault(piece, []).extend(reading.flags)
    return {piece: "; ".join(dict.fromkeys(texts)) for piece, texts in flags.items() if texts}


def _owner(study: Study, response: Response) -> dict[str, bool]:
    return {
        n: study.response_named(q.response).recipe == response.recipe
        for n, q in quantity_names(study).items()
    }


def _sections(data: StudyData, response: Response) -> dict[Piece, tuple[float, float]]:
    """Give width and thickness of every specimen that has both."""
    names = quantity_names(data.study)
    used = data.readings[
        (data.readings["excluded"] == "") | (data.readings["excluded"] == "run failed")
    ]
    mine = used["quantity"].map(lambda q: names[q].response == response.name)
    table = used[mine.astype(bool)].assign(
        part=lambda t: t["quantity"].map(lambda q: names[q].part)
    )
    means = table.pivot_table("value", index=["run", "specimen"], columns="part", aggfunc="mean")
    if not {"width", "thickness"} <= set(means.columns):
        return {}
    whole = means[(means["width"] > 0) & (means["thickness"] > 0)]
    return {
        (str(run), str(piece)): (float(w), float(h))
        for (run, piece), w, h in zip(whole.index, whole["width"], whole["thickness"], strict=True)
    }


def _read(
    curve: RawCurve, section: tuple[float, float], response: Response, study: Study
) -> CurveReading:
    width, thickness = section
    span = response.span if response.recipe == "three_point_bending" else None
    return read_curve(curve, width=width, thickness=thickness, span=span, rig=study.curves)


def _value(reading: CurveReading, response: Response) -> float:
    return float(getattr(reading, response.strength_property))


def _barred(data: StudyData, test: Response) -> set[Piece]:
    names = quantity_names(data.study)
    gone = data.readings[
        (data.readings["excluded"] != "") & (data.readings["excluded"] != "run failed")
    ]
    return {
        (row["run"], row["specimen"])
        for row in gone.to_dict("records")
        if data.study.response_named(names[row["quantity"]].response).recipe == test.recipe
    }


def _quantity(study: Study, response: str, part: str) -> str:
    return next(
        q.name for q in quantity_names(study).values() if (q.response, q.part) == (response, part)
    )


def _row(
    piece: Piece, name: str, response: str, part: str, value: float, study: Study
) -> dict[str, object]:
    read = quantity_names(study)[name]
    scale = 1.0
    if part == VALUE and read.unit == "GPa":
        scale = 1e-3
    return {
        "row": 0,
        "run": piece[0],
        "specimen": piece[1],
        "quantity": name,
        "response": response,
        "part": part,
        "value": value * scale,
        "unit": read.unit,
        "repeat": 1,
        "operator": "",
        "instrument": study.curves.instrument,
        "excluded": "",
        "note": "read off its curve",
    }
