"""The optional files about measuring: the gauge study, the references, force-extension curves."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from kit.errors import Problem
from kit.study.check_gauge import (
    GAUGE_OPTIONAL,
    GAUGE_REQUIRED,
    REFERENCE_OPTIONAL,
    REFERENCE_REQUIRED,
    CheckedTable,
    check_gauge,
    check_references,
)
from kit.study.curve_files import CURVE_FOLDER, RawCurve, curve_names, read_curve_file
from kit.study.description import Study
from kit.study.folder import digest, read_bytes
from kit.study.quantities import RECIPE_INPUTS
from kit.study.table_files import read_table_file
from kit.study.tables import read_table

GAUGE, REFERENCES = "gauge", "references"


@dataclass
class MeasuringFiles:
    """What the optional files hold.

    Attributes
    ----------
    gauge, references : DataFrame or None
        None where there is no such file.
    curves : tuple of RawCurve
        In the order of runs and specimens.
    problems : list of Problem
    notices : list of str
    digests : dict of file name to SHA-256
    """

    gauge: pd.DataFrame | None = None
    references: pd.DataFrame | None = None
    curves: tuple[RawCurve, ...] = ()
    problems: list[Problem] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    digests: dict[str, str] = field(default_factory=dict)


def measuring_files(folder: Path, study: Study | None) -> MeasuringFiles:
    """Read the optional files about measuring.

    Parameters
    ----------
    folder : Path
        The study folder.
    study : Study or None
        Without one only the form of the tables can be judged.

    Returns
    -------
    MeasuringFiles
    """
    found = MeasuringFiles()
    gauge = _table(folder, GAUGE, GAUGE_REQUIRED, GAUGE_OPTIONAL, found, study)
    references = _table(folder, REFERENCES, REFERENCE_REQUIRED, REFERENCE_OPTIONAL, found, study)
    if study is not None:
        read_curves(folder, study, found)
    found.gauge = None if gauge is None else gauge.frame
    found.references = None if references is None else references.frame
    return found


def read_curves(folder: Path, study: Study, found: MeasuringFiles) -> None:
    """Read all files of ``curves/``; problems of one do not hide those of the others."""
    curves: list[RawCurve] = []
    names = curve_names(folder)
    recipes = {r.recipe for r in study.responses if r.recipe in RECIPE_INPUTS}
    test = study.curves.test
    if names and not recipes:
        text = "there are curves, but no response of study.toml is read off one (from = tensile or three_point_bending)."
        found.problems.append(Problem(CURVE_FOLDER, 0, "", text))
    elif names and ((len(recipes) > 1 and not test) or (test and test not in recipes)):
        text = f"say in [curves] of study.toml which test the curves are of: test = {' or '.join(sorted(map(repr, recipes)))}."
        found.problems.append(Problem(CURVE_FOLDER, 0, "", text))
    for name in names:
        data, problem = read_bytes(folder, name)
        if data is None:
            found.problems += [problem] if problem else []
            continue
        found.digests[name] = digest(data)
        curve, problems = read_curve_file(data, name, study.curves)
        found.problems += problems
        curves += [curve] if curve else []
    found.curves = tuple(curves)


def _table(
    folder: Path,
    stem: str,
    required: tuple[str, ...],
    optional: tuple[str, ...],
    found: MeasuringFiles,
    study: Study | None,
) -> CheckedTable | None:
    source = read_table_file(folder, stem)
    if source.problem is not None:
        found.problems.append(source.problem)
    if source.data is None:
        return None
    found.digests[source.name] = digest(source.data)
    table, problems = read_table(source.data, source.name, required=required, optional=optional)
    checked = None
    if table is not None and set(required) <= set(table.columns):
        if stem == REFERENCES:
            checked = check_references(table)
        elif study is not None:
            checked = check_gauge(table, study)
    found.problems += sorted(
        [*problems, *(checked.problems if checked else ())], key=lambda p: p.row
    )
    if checked is not None:
        found.notices += checked.notices
    return checked
