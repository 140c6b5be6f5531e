"""The whole way from a study folder to its window, one call: what the ``surface`` notebook and tests use.

It only strings the steps together and decides what an unfinished study still allows; each step is
documented in its own room.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from kit.bench.instruments import specimen_results
from kit.bench.measured import Measured
from kit.errors import ModelError, NotEstimableError
from kit.model.canonical import Stationary, stationary_point
from kit.model.checks import Check, check_surface
from kit.model.fit import fit_surface
from kit.model.surface import Surface
from kit.study.data import StudyData
from kit.study.description import Study
from kit.study.intake import take_in
from kit.window.region import find_window
from kit.window.result import Window

CONFIRMATION = "confirmation"


@dataclass(frozen=True)
class Analysis:
    """Everything that follows from a study's tables.

    Attributes
    ----------
    data : StudyData
        What was taken in.
    measured : mapping of response name to Measured
        Results of the bench.
    surfaces : mapping of response name to Surface
        What could be fitted.
    waiting : mapping of response name to str
        Why a response of an unfinished study could not be fitted yet.
    checks : mapping of response name to tuple of Check
    stationary : mapping of response name to Stationary or None
    window : Window or None
        None as long as a response with a requirement has no surface.
    """

    data: StudyData
    measured: Mapping[str, Measured]
    surfaces: Mapping[str, Surface]
    waiting: Mapping[str, str]
    checks: Mapping[str, tuple[Check, ...]]
    stationary: Mapping[str, Stationary | None]
    window: Window | None

    @property
    def study(self) -> Study:
        """The description."""
        return self.data.study

    @property
    def runs(self) -> pd.DataFrame:
        """The runs that a fit may use: all but confirmation runs."""
        return self.data.runs[self.data.runs["round"] != CONFIRMATION]

    @property
    def interim(self) -> bool:
        """Whether runs are still to be printed."""
        return bool((self.runs["status"] == "planned").any())

    @property
    def printed(self) -> int:
        """Runs printed so far."""
        return int((self.runs["status"] == "printed").sum())


def analyse(folder: str | Path) -> Analysis:
    """Take in a study folder and follow it as far as its readings allow.

    Parameters
    ----------
    folder : str or Path
        A study folder.

    Returns
    -------
    Analysis

    Raises
    ------
    StudyError
        With all problems of the three files.
    ModelError
        If every run is printed or failed and still a response cannot be fitted; as
        `NotEstimableError` with all the terms concerned when main effects cannot be told apart.
    """
    data = take_in(Path(folder))
    return analyse_data(data)


def analyse_data(data: StudyData) -> Analysis:
    """Follow a study that is already taken in; see `analyse`."""
    measured = specimen_results(data)
    runs = data.runs[data.runs["round"] != CONFIRMATION]
    unfinished = bool((runs["status"] == "planned").any()) or runs.empty
    surfaces, errors = _fit_all(data, measured)
    if errors and not unfinished:
        raise _joined(errors)
    waiting = {name: str(error) for name, error in errors.items()}
    for response in data.study.responses:
        if response.name not in surfaces:
            waiting.setdefault(response.name, "no readings yet")
    wanted = [r.name for r in data.study.responses if r.has_limits or r.target is not None]
    ready = bool(surfaces) and not any(name in waiting for name in wanted)
    return Analysis(
        data=data,
        measured=measured,
        surfaces=surfaces,
        waiting=waiting,
        checks={name: check_surface(s) for name, s in surfaces.items()},
        stationary={name: stationary_point(s) for name, s in surfaces.items()},
        window=find_window(surfaces, data.study) if ready else None,
    )


def _fit_all(
    data: StudyData, measured: Mapping[str, Measured]
) -> tuple[dict[str, Surface], dict[str, ModelError]]:
    surfaces: dict[str, Surface] = {}
    errors: dict[str, ModelError] = {}
    for name, result in measured.items():
        try:
            surfaces[name] = fit_surface(result, data.runs, data.study)
        except ModelError as error:
            errors[name] = error
    return surfaces, errors


def _joined(errors: Mapping[str, ModelError]) -> ModelError:
    """Make one error of all: nobody should mend one response and then hear of the next."""
    by_text: dict[str, list[str]] = {}
    for name, error in errors.items():
        by_text.setdefault(str(error), []).append(name)
    text = "\n".join(f"{', '.join(names)}: {text}" for text, names in by_text.items())
    terms: list[str] = []
    for error in errors.values():
        if isinstance(error, NotEstimableError):
            terms.extend(t for t in error.terms if t not in terms)
    return NotEstimableError(terms, text) if terms else ModelError(text)
