"""A study taken in: the description and the two tables, clean, with what was noticed on the way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from kit.study.curve_files import RawCurve
from kit.study.description import Study


@dataclass(frozen=True)
class StudyData:
    """Everything the user wrote, after intake found no problem.

    Attributes
    ----------
    study : Study
        The description.
    runs : DataFrame
        One row a run, columns ``run`` (text), ``round`` (text), ``block`` (integer), ``print_order`` (integer),
        one a factor (planned settings, natural units), ``<factor>_actual`` for every factor (what was
        really set; the planned setting where nothing else was recorded), ``status``
        (planned | printed | failed), ``note``. In the order of the file.
    readings : DataFrame
        One row a reading that has a value, columns ``row`` (as a spreadsheet shows it), ``run``, ``specimen`` (text),
        ``quantity`` (short name where there is one), ``response`` and ``part`` (what the reading is for: ``value``, or
        ``force``, ``width``, ``thickness``, ``along``, ``across``; see `kit.study.quantities`), ``value`` (converted to the unit of the response or of the recipe's input),
        ``unit`` (that unit), ``repeat`` (integer), ``operator``, ``instrument``, ``excluded`` (reason; empty = used; ``run failed`` where the
        run failed and no reason was written),
        ``note``.
    notices : tuple of str
        Plain sentences about what is normal but worth knowing (no readings yet, failed runs ...).
    digests : mapping of file name to SHA-256
        Of the files as they were read.
    curves : tuple of RawCurve
        Force-extension curves from ``curves/``, in newton and millimetre.
    gauge, references : DataFrame or None
        ``gauge.csv`` and ``references.csv`` as `kit.study.check_gauge` gives them; None where there is no such file.
    """

    study: Study
    runs: pd.DataFrame
    readings: pd.DataFrame
    notices: tuple[str, ...] = ()
    digests: Mapping[str, str] = field(default_factory=dict)
    gauge: pd.DataFrame | None = None
    references: pd.DataFrame | None = None
    curves: tuple[RawCurve, ...] = ()
