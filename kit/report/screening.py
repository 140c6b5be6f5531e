"""The screening of a study folder: which settings matter, response by response."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from kit.bench.cautions import cautions_for
from kit.bench.instruments import specimen_results
from kit.bench.measured import Measured
from kit.errors import ModelError
from kit.model.screening import CONFIRMATION, SAME, Screening, screen
from kit.model.screening_three import is_mirrored, screen_mirrored
from kit.report.results import SCHEMA, VERSIONS, json_values, overall_digest
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
    """

    data: StudyData
    screenings: Mapping[str, Screening]
    failures: tuple[str, ...]

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
    for name, measured in specimen_results(data).items():
        try:
            found[name] = _screen(measured, data)
        except ModelError as error:
            failures.append(f"{name}: {error}")
    if not found:
        raise ModelError(" ".join(dict.fromkeys(failures)) or "no printed run has a result yet.")
    return ScreeningStudy(data, found, tuple(failures))


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
    digests = study.data.digests
    document = {
        "schema": SCHEMA,
        "title": study.study.title,
        "digest": overall_digest(digests),
        "screening": {name: _numbers(found) for name, found in study.screenings.items()},
        "cautions": [c.text for c in cautions_for(study.study)],
        "provenance": {
            "versions": {"python": platform.python_version(), **{n: version(n) for n in VERSIONS}},
            "seed": study.study.seed,
            "parameters": {"study": ".", **dict(parameters or {})},
            "input_digests": dict(sorted(digests.items())),
        },
    }
    return json_values(document)  # type: ignore[no-any-return]


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
