"""Adopt a donor's study on another printer: a folder to start with, and what its few prints say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from kit.analysis import Analysis, analyse
from kit.bench.instruments import specimen_results
from kit.bench.measured import Measured
from kit.errors import StudyError, TransferError
from kit.model.surface import Surface
from kit.saying import listed
from kit.study.data import StudyData
from kit.study.description import Study
from kit.study.folder import STUDY_FILE
from kit.study.intake import take_in
from kit.window.offset import OffsetPosterior, estimate_offset
from kit.window.offset_settings import (
    CorrectedSettings,
    MorePrints,
    correct_settings,
    more_prints,
)
from kit.window.result import Setting
from kit.window.transfer import check_donor

DONOR = "donor"
ROUND = "adopt"
FEWEST, MOST, USUAL = 3, 6, 4
"""Prints on the new printer; common practice, no source."""


@dataclass(frozen=True)
class Adoption:
    """A donor's study carried over to another printer.

    Attributes
    ----------
    data : StudyData
        The adopter's study.
    study : Study
        The adopter's requirements and printer in the donor's coding.
    donor : Analysis
    settings : mapping of factor name to setting
        What the donor recommends, or their best compromise.
    before : OffsetPosterior
        Without the prints.
    after : OffsetPosterior or None
        With them; None as long as none is measured.
    corrected : CorrectedSettings or None
    more : MorePrints or None
    prints : DataFrame
        The prints used: ``run``, factors, print means.
    notes : tuple of str
    """

    data: StudyData
    study: Study
    donor: Analysis
    settings: Mapping[str, Setting]
    before: OffsetPosterior
    after: OffsetPosterior | None
    corrected: CorrectedSettings | None
    more: MorePrints | None
    prints: pd.DataFrame
    notes: tuple[str, ...]


def adopt(folder: str | Path) -> Adoption:
    """Follow an adopter's folder: what its prints say of the printer, and which settings suit it.

    Parameters
    ----------
    folder : str or Path
        A study folder whose ``study.toml`` names a donor under ``[adopt]``.

    Returns
    -------
    Adoption

    Raises
    ------
    StudyError
        If either study has problems.
    TransferError
        If the donor's study cannot be carried over.
    """
    folder = Path(folder)
    data = take_in(folder)
    where = _donor_folder(folder, data.study)
    notes = check_donor(data.study, take_in_donor(where))
    donor = analyse(where)
    study = carried(data.study, donor.study)
    surfaces = _surfaces(donor, study)
    window = donor.window
    choice = window.choice if window else None
    if choice is None:
        raise TransferError("the donor's study has no answer yet, so there is nothing to adopt.")
    if donor.withdrawn:
        raise TransferError(
            "the donor's confirming prints withdrew the window, so there is nothing to adopt."
        )
    rng = np.random.default_rng(data.study.seed)
    prints, coded, specimens, said = _prints(data, study, surfaces)
    nothing = prints.iloc[:0]
    before = estimate_offset(surfaces, study, coded[:0], nothing, rng)
    after = corrected = more = None
    if len(prints):
        after = estimate_offset(surfaces, study, coded, prints, rng, specimens=specimens)
        corrected = correct_settings(before, after, choice.settings)
        more = more_prints(after, coded, rng)
    notes += said
    if len(prints) and len(prints) < FEWEST:
        notes.append(f"{len(prints)} prints say little; {FEWEST} to {MOST} are usual.")
    return Adoption(
        data, study, donor, choice.settings, before, after, corrected, more, prints, tuple(notes)
    )


def _donor_folder(folder: Path, study: Study) -> Path:
    if not study.adopt.donor:
        raise TransferError(
            'study.toml names no donor; write donor = "..." under [adopt], their study folder as seen from this one.'
        )
    where = folder / study.adopt.donor
    if not (where / STUDY_FILE).is_file():
        raise TransferError(
            f"there is no study in {study.adopt.donor!r}, which [adopt] names as the donor."
        )
    return where


def take_in_donor(folder: Path) -> Study:
    """Take in a donor's study, and say whose problems they are if it has any."""
    try:
        return take_in(folder).study
    except StudyError as error:
        raise TransferError(f"the donor's study has problems. {error}") from error


def carried(study: Study, donor: Study) -> Study:
    """Give the adopter's study in the donor's coding: their lows and highs, this printer's steps and stops."""
    mine = {f.name: f for f in study.factors}
    factors = tuple(
        f.model_copy(
            update={
                "step": mine[f.name].step or f.step,
                "min": mine[f.name].min,
                "max": mine[f.name].max,
            }
        )
        for f in donor.factors
    )
    known = {r.name for r in donor.responses}
    responses = tuple(r for r in study.responses if r.name in known)
    return study.model_copy(
        update={"factor": factors, "response": responses, "design": donor.design}
    )


def _surfaces(donor: Analysis, study: Study) -> dict[str, Surface]:
    wanted = {r.name: r for r in study.responses}
    lacking = [n for n, r in wanted.items() if r.has_limits and n not in donor.surfaces]
    if lacking:
        raise TransferError(
            f"the donor has no fitted surface of {listed(lacking)}; leave that requirement out or ask them for their readings."
        )
    return {n: s.with_response(wanted[n]) for n, s in donor.surfaces.items() if n in wanted}


def _prints(
    data: StudyData, study: Study, surfaces: Mapping[str, Surface]
) -> tuple[pd.DataFrame, np.ndarray, float, list[str]]:
    """Give the prints that count: measured for every response, at settings that the donor tried."""
    measured: dict[str, Measured] = specimen_results(data)
    runs = data.runs[data.runs["status"] == "printed"].reset_index(drop=True)
    table = runs[["run"]].copy()
    for name in study.coding.names:
        table[name] = runs[f"{name}_actual"]
    pieces = []
    for name in surfaces:
        found = measured.get(name)
        values = (
            {}
            if found is None
            else dict(zip(found.prints["run"], found.prints["value"], strict=True))
        )
        table[name] = [values.get(r, np.nan) for r in table["run"]]
        pieces.append(1.0 if found is None else found.specimens_per_print)
    whole = table[list(surfaces)].notna().all(axis=1)
    notes = []
    if len(table) and not whole.all():
        names = listed([f"run {r}" for r in table.loc[~whole, "run"]])
        notes.append(f"{names}: not measured for every response, so not used yet.")
    table = table[whole].reset_index(drop=True)
    coded = study.coding.code({n: table[n] for n in study.coding.names})
    coded = coded.reshape(len(table), len(study.factors))
    inside = np.ones(len(table), dtype=bool)
    for s in surfaces.values():
        inside &= s.tried.contains(coded)
    if not inside.all():
        names = listed([f"run {r}" for r in table.loc[~inside, "run"]])
        notes.append(f"{names}: printed at settings that the donor never tried, so not used.")
    return (
        table[inside].reset_index(drop=True),
        coded[inside],
        float(min(pieces, default=1.0)),
        notes,
    )
