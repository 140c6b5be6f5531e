"""The gauge study of a study folder: every quantity in ``gauge.csv``, every instrument in ``references.csv``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt
from pathlib import Path
from typing import Any

import pandas as pd

from kit.bench.bias import Bias, instrument_bias
from kit.bench.instruments import specimen_results
from kit.errors import MeasurementError, ModelError
from kit.model.fit import fit_surface
from kit.model.gauge import analyse_gauge, repeats_needed, requirement_share
from kit.model.gauge_result import Component, Gauge
from kit.model.scale_choice import as_measured
from kit.report.numbers import numbers_document
from kit.study.data import StudyData
from kit.study.description import Response
from kit.study.intake import take_in
from kit.study.quantities import RECIPE_INPUTS, VALUE, ReadQuantity, quantity_names

FROM_OPTION, FROM_FIT = "as stated", "from this study's prints"


@dataclass(frozen=True)
class RunScatter:
    """Standard deviation between prints at the same settings, and where it was taken from."""

    sd: float
    source: str


@dataclass(frozen=True)
class GaugeStudy:
    """What is known of the measuring.

    Attributes
    ----------
    data : StudyData
    gauges : mapping of quantity name to Gauge
        In the order of ``gauge.csv``.
    biases : mapping of instrument name to Bias
        In the order of ``references.csv``.
    failures : tuple of str
        What could not be worked out, and what to do.
    runs : mapping of quantity name to RunScatter
        Scatter between prints, where it is known.
    """

    data: StudyData
    gauges: Mapping[str, Gauge]
    biases: Mapping[str, Bias]
    failures: tuple[str, ...]
    runs: Mapping[str, RunScatter]

    def readings(self, quantity: str) -> pd.DataFrame:
        """Give the readings of a quantity that were used."""
        return _used(self.data.gauge, quantity)

    def read(self, quantity: str) -> ReadQuantity:
        """Give what a quantity is."""
        return quantity_names(self.data.study)[quantity]

    def response(self, quantity: str) -> Response:
        """Give the response that a quantity belongs to."""
        return self.data.study.response_named(self.read(quantity).response)

    def title(self, quantity: str) -> str:
        """Name a quantity in print."""
        read, response = self.read(quantity), self.response(quantity)
        return response.title if read.part == VALUE else f"{read.part} of {response.title}"

    def width(self, quantity: str) -> float | None:
        """Give the width of the requirement on a quantity, where it has two limits."""
        response = self.response(quantity)
        if self.read(quantity).part != VALUE or response.lower is None or response.upper is None:
            return None
        return response.upper - response.lower

    def share(self, quantity: str) -> float | None:
        """Give six SDs of the measuring as a share of the requirement's width."""
        if self.width(quantity) is None:
            return None
        response = self.response(quantity)
        return requirement_share(self.gauges[quantity].measuring_sd, response.lower, response.upper)

    def repeats(self, quantity: str) -> int | None:
        """Give the repeat readings needed; None where the scatter between prints is not known."""
        run = self.runs.get(quantity)
        return repeats_needed(self.gauges[quantity].repeat_sd ** 2, run.sd**2) if run else None


def study_gauge(folder: str | Path, *, run_sd: float = 0.0) -> GaugeStudy:
    """Analyse how good the measuring of a study is.

    Parameters
    ----------
    folder : str or Path
        A study folder with ``gauge.csv``, ``references.csv`` or both.
    run_sd : float, default 0
        Scatter between prints at the same settings, in the response's unit, where it is known beforehand; 0 takes it from
        the study's own prints, if they can tell.

    Returns
    -------
    GaugeStudy

    Raises
    ------
    StudyError
        If the study has problems.
    MeasurementError
        If there is neither file, or nothing in them can be worked out.
    """
    data = take_in(Path(folder))
    if data.gauge is None and data.references is None:
        raise MeasurementError(
            "there is neither gauge.csv nor references.csv in this study. `testprint plan STUDY --gauge` writes a gauge plan to fill in."
        )
    failures: list[str] = []
    gauges = _gauges(data, failures)
    biases = _biases(data, failures)
    if not gauges and not biases:
        raise MeasurementError(
            " ".join(failures) or "gauge.csv holds no readings yet; fill in the column value."
        )
    return GaugeStudy(data, gauges, biases, tuple(failures), _run_scatter(data, gauges, run_sd))


def gauge_results(study: GaugeStudy, parameters: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Give the contents of the gauge study's ``results.json``; operators are not named.

    Parameters
    ----------
    study : GaugeStudy
        The finished analysis.
    parameters : mapping, optional
        The notebook's options other than the study folder.

    Returns
    -------
    dict
        Plain JSON values.
    """
    body = {
        "gauge": {name: _gauge_numbers(study, name) for name in study.gauges},
        "references": {name: _bias_numbers(b) for name, b in study.biases.items()},
    }
    return numbers_document(study.data.study, study.data.digests, body, parameters)


def _used(gauge: pd.DataFrame | None, quantity: str) -> pd.DataFrame:
    assert gauge is not None
    return gauge[(gauge["quantity"] == quantity) & (gauge["excluded"] == "")].reset_index(drop=True)


def _gauges(data: StudyData, failures: list[str]) -> dict[str, Gauge]:
    found: dict[str, Gauge] = {}
    if data.gauge is None:
        return found
    known = quantity_names(data.study)
    for quantity in dict.fromkeys(data.gauge["quantity"]):
        recipe = data.study.response_named(known[quantity].response).recipe
        destructive = recipe in RECIPE_INPUTS and known[quantity].part in (VALUE, "force")
        try:
            found[quantity] = analyse_gauge(_used(data.gauge, quantity), destructive=destructive)
        except MeasurementError as error:
            failures.append(f"{quantity}: {error}")
    return found


def _biases(data: StudyData, failures: list[str]) -> dict[str, Bias]:
    found: dict[str, Bias] = {}
    if data.references is None:
        return found
    for name, rows in data.references.groupby("instrument", sort=False):
        try:
            found[str(name)] = instrument_bias(rows)
        except MeasurementError as error:
            failures.append(str(error))
    return found


def _run_scatter(
    data: StudyData, gauges: Mapping[str, Gauge], stated: float
) -> dict[str, RunScatter]:
    """Give the scatter between prints: as stated, else of the study's own fit where it is above 0."""
    if stated > 0:
        return {name: RunScatter(stated, FROM_OPTION) for name in gauges}
    if data.readings.empty:
        return {}
    measured = specimen_results(data)
    scatter = {}
    for name in gauges:
        try:
            surface = (
                fit_surface(as_measured(measured[name]), data.runs, data.study)
                if name in measured
                else None
            )
        except ModelError:
            continue
        print_variance = surface.variance.print_ if surface else None
        if print_variance:
            scatter[name] = RunScatter(sqrt(print_variance), FROM_FIT)
    return scatter


def _gauge_numbers(study: GaugeStudy, name: str) -> dict[str, Any]:
    gauge, read = study.gauges[name], study.read(name)
    strata = gauge.strata
    return {
        "unit": read.unit,
        "layout": gauge.layout,
        "destructive": gauge.destructive,
        "parts": gauge.parts,
        "operators": gauge.operators,
        "readings": gauge.readings,
        "confidence": gauge.confidence,
        "components": {key: _component_numbers(c) for key, c in gauge.components.items()},
        "reml_variance": dict(gauge.reml),
        "mean_squares": None
        if strata is None
        else {
            s: {"df": d, "ss": v}
            for s, d, v in zip(strata.sources, strata.df, strata.ss, strict=True)
        },
        "display_step": gauge.step,
        "measuring_sd": gauge.measuring_sd,
        "repeat_sd": gauge.repeat_sd,
        "requirement_width": study.width(name),
        "share_of_requirement": study.share(name),
        "run_sd": study.runs[name].sd if name in study.runs else None,
        "repeats_needed": study.repeats(name),
    }


def _component_numbers(found: Component | None) -> dict[str, float] | None:
    if found is None:
        return None
    return {
        "variance": found.variance,
        "low": found.low,
        "high": found.high,
        "variance_as_computed": found.raw,
        "sd": found.sd,
    }


def _bias_numbers(bias: Bias) -> dict[str, Any]:
    budget = bias.budget_at(bias.centre)
    slope = bias.slope
    return {
        "unit": bias.unit,
        "references": bias.references,
        "readings": bias.readings,
        "centre": bias.centre,
        "range": [bias.low, bias.high],
        "constant": {
            "estimate": bias.constant.value,
            "low": bias.constant.low,
            "high": bias.constant.high,
        },
        "slope": None
        if slope is None
        else {"estimate": slope.value, "low": slope.low, "high": slope.high},
        "scatter_sd": bias.scatter,
        "df": bias.df,
        "uncertainty_at_centre": {
            "u": budget.u,
            "df": budget.df,
            "coverage_factor": budget.coverage_factor,
            "expanded": budget.expanded,
        },
    }
