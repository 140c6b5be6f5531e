"""The screening of a study folder: which settings matter, response by response."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from kit.bench.instruments import specimen_results
from kit.bench.measured import Measured
from kit.errors import ModelError
from kit.model.fit import fit_surface
from kit.model.plainly import limit_note
from kit.model.scale_words import judged_as_measured
from kit.model.screening import CONFIRMATION, SAME, Screening, screen
from kit.model.screening_three import is_mirrored, screen_mirrored
from kit.model.surface import Surface
from kit.report.numbers import numbers_document
from kit.report.show_special import special_numbers
from kit.study.data import StudyData
from kit.study.description import Response, Study
from kit.study.intake import take_in


@dataclass(frozen=True)
class ScreeningStudy:
    """Which settings matter.

    Attributes
    ----------
    data : StudyData
    screenings : mapping of response name to Screening
    failures : tuple of str
        What could not be judged, and what to do.
    selected : mapping of response name to Surface
        Where the study asks for it (``selection`` under ``[model]``): the terms that the prints themselves chose.
    """

    data: StudyData
    screenings: Mapping[str, Screening]
    failures: tuple[str, ...]
    selected: Mapping[str, Surface] = field(default_factory=dict)

    @property
    def study(self) -> Study:
        """The description."""
        return self.data.study

    def response(self, name: str) -> Response:
        """Give a response."""
        return self.study.response_named(name)


def screen_study(folder: str | Path) -> ScreeningStudy:
    """Judge which settings of a two-level plan matter.

    Parameters
    ----------
    folder : str or Path
        A study folder.

    Returns
    -------
    ScreeningStudy

    Raises
    ------
    StudyError
        If the study has problems.
    ModelError
        If nothing can be judged.
    """
    data = take_in(Path(folder))
    found: dict[str, Screening] = {}
    failures: list[str] = []
    selected: dict[str, Surface] = {}
    for name, measured in specimen_results(data).items():
        if measured.response.passes_or_fails:
            failures.append(f"{name}: it passes or fails; see the surface report")
            continue
        try:
            found[name] = _told(_screen(measured, data), measured)
            if data.study.model.selection != "none":
                selected[name] = fit_surface(measured, data.runs, data.study)
        except ModelError as error:
            failures.append(f"{name}: {error}")
    if not found:
        reasons = dict.fromkeys(failure.partition(": ")[2] for failure in failures)
        raise ModelError(" ".join(reasons) or "no printed run has a result yet.")
    return ScreeningStudy(data, found, tuple(failures), selected)


def _told(found: Screening, measured: Measured) -> Screening:
    """Say where the study asks for another scale: effects are judged as measured, so that they have a unit."""
    limit = limit_note(measured)
    if limit:
        found = replace(found, notes=(*found.notes, limit))
    notes = judged_as_measured([measured.response])
    return replace(found, notes=(*found.notes, *notes)) if notes else found


def _screen(measured: Measured, data: StudyData) -> Screening:
    """Judge a plan of mirrored prints at three levels in two steps, any other as a two-level plan."""
    study, runs = data.study, data.runs
    usable = (runs["status"] == "printed") & (runs["round"] != CONFIRMATION)
    used = runs[usable].merge(measured.prints[["run", "value"]], on="run")
    if not any(f.is_category for f in study.factors) and len(used):
        coded = study.coding.code({n: used[n] for n in study.coding.names})
        off_middle = coded[np.any(np.abs(coded) > SAME, axis=1)]
        if is_mirrored(coded) and np.any(np.abs(off_middle) < SAME):
            y = used["value"].to_numpy(dtype=float)
            return screen_mirrored(coded, y, list(study.coding.names), measured.response.title)
    return screen(measured, runs, study)


def screening_results(
    study: ScreeningStudy, parameters: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Give the contents of the screening's ``results.json``.

    Parameters
    ----------
    study : ScreeningStudy
        The finished screening.
    parameters : mapping, optional
        The notebook's options other than the study folder.

    Returns
    -------
    dict
        Plain JSON values.
    """
    body = {
        "screening": {
            name: _numbers(found)
            | (special_numbers(study.selected[name]) if name in study.selected else {})
            for name, found in study.screenings.items()
        },
    }
    return numbers_document(study.study, study.data.digests, body, parameters)


def _numbers(found: Screening) -> dict[str, Any]:
    return {
        "runs": found.runs,
        "pseudo_std_error": found.lenth.pse,
        "margin": found.lenth.margin,
        "joint_margin": found.lenth.joint_margin,
        "effects": {
            row["effect"]: {key: row[key] for key in ("estimate", "low", "high", "verdict")}
            | {"mixed_with": [m for m in row["mixed_with"].split(", ") if m]}
            for row in found.effects.to_dict("records")
        },
        "curvature": None
        if found.curvature is None
        else dict(zip(("estimate", "low", "high"), found.curvature, strict=True)),
        "notes": list(found.notes),
    }
