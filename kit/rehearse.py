"""A virtual printer: readings from a stated truth.

Used for the demo studies, for rehearsing a plan before a gram is printed, and in the tests of coverage. It
calls the rooms above; they never call it. Everything it gives is simulated and must be said to be so.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from kit.bench.recipes import flexural_stress
from kit.design.order import specimen_label
from kit.study.description import Response, Study
from kit.terms import FloatArray, expand_terms, model_matrix

BAR_WIDTH_MM, BAR_THICKNESS_MM = 10.0, 4.0
"""Preferred bending specimen of ISO 178: 80 x 10 x 4 mm."""

BAR_SD_MM, CALIPER_SD_MM = 0.03, 0.01


@dataclass(frozen=True)
class Truth:
    """What the virtual printer does to one response.

    Attributes
    ----------
    coefficients : mapping of term name to float
        In coded units and the response's unit; terms not named are 0.
    print_sd, specimen_sd, reading_sd : float
        Scatter between prints at the same settings, between specimens of a print, and between repeat readings of
        a specimen, in the response's unit.
    decimals : int
        Display of the instrument.
    """

    coefficients: Mapping[str, float]
    print_sd: float = 0.0
    specimen_sd: float = 0.0
    reading_sd: float = 0.0
    decimals: int = 2

    def mean(self, study: Study, settings: pd.DataFrame) -> FloatArray:
        """Give the true mean response at natural settings, shape (n,)."""
        coding = study.coding
        names = [n for n in self.coefficients if n != "intercept"]
        terms = expand_terms(coding, names)
        values = np.array([self.coefficients.get(t.name, 0.0) for t in terms])
        return np.asarray(model_matrix(coding, terms, coding.code(settings)) @ values)


@dataclass(frozen=True)
class VirtualPrinter:
    """A printer, a spool and a bench whose truth is known.

    Attributes
    ----------
    truths : mapping of response name to Truth
    failures : mapping of run to note
        Runs that fail, and what the maker would write beside them.
    repeats : mapping of response name to int
        Repeat readings a specimen (spots, for gloss); 1 where not named.
    """

    truths: Mapping[str, Truth]
    failures: Mapping[str, str] = field(default_factory=dict)
    repeats: Mapping[str, int] = field(default_factory=dict)

    def print_runs(
        self, study: Study, runs: pd.DataFrame, rng: np.random.Generator
    ) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Print every planned run and measure it.

        Parameters
        ----------
        study : Study
            The description.
        runs : DataFrame
            The plan, in any order.
        rng : numpy Generator
            Source of all scatter.

        Returns
        -------
        runs, readings : DataFrame
            The runs table with ``status`` and ``note`` filled in; the readings table as a maker would have typed it.
        """
        runs = runs.sort_values("print_order", ignore_index=True)
        failed = runs["run"].isin(self.failures.keys())
        runs["status"] = np.where(failed, "failed", "printed")
        runs["note"] = runs["run"].map(self.failures).fillna(runs["note"])
        rows: list[dict[str, object]] = []
        for response in study.responses:
            truth = self.truths[response.name]
            means = truth.mean(study, runs) + rng.normal(0, truth.print_sd, len(runs))
            for run, mean in zip(runs.loc[~failed, "run"], means[~failed], strict=True):
                for number in range(study.specimen.specimens_per_print):
                    value = mean + rng.normal(0, truth.specimen_sd)
                    rows += [
                        {"run": run, "specimen": specimen_label(number), **reading}
                        for reading in self._readings(response, truth, value, rng)
                    ]
        table = pd.DataFrame(rows)
        for column in ("operator", "instrument", "excluded", "note"):
            table[column] = ""
        return runs, table

    def _readings(
        self, response: Response, truth: Truth, value: float, rng: np.random.Generator
    ) -> Iterator[dict[str, object]]:
        """Give what the instruments show for one specimen whose true value is ``value``."""

        def shown(
            quantity: str, reading: float, unit: str, repeat: int, decimals: int
        ) -> dict[str, object]:
            rounded = round(float(reading), decimals)
            return {"quantity": quantity, "value": rounded, "unit": unit, "repeat": repeat}

        if response.recipe == "three_point_bending":
            width, thickness = rng.normal([BAR_WIDTH_MM, BAR_THICKNESS_MM], BAR_SD_MM)
            stress = value + rng.normal(0, truth.reading_sd)
            # the formula is linear in the force, so one newton says how much stress it makes
            force = stress / flexural_stress(1.0, response.span or 64.0, width, thickness)
            yield shown("force", force, "N", 1, 1)
            yield shown("width", width + rng.normal(0, CALIPER_SD_MM), "mm", 1, 2)
            yield shown("thickness", thickness + rng.normal(0, CALIPER_SD_MM), "mm", 1, 2)
            return
        offset = response.nominal or 0.0 if response.recipe == "dimension" else 0.0
        for repeat in range(1, self.repeats.get(response.name, 1) + 1):
            reading = offset + value + rng.normal(0, truth.reading_sd)
            yield shown(response.name, reading, response.unit, repeat, truth.decimals)


def virtual_printer(described: Mapping[str, Mapping[str, object]]) -> VirtualPrinter:
    """Build a virtual printer from a parsed ``truth.toml``.

    Parameters
    ----------
    described : mapping
        One table a response under ``truth`` (``coefficients``, ``print_sd``, ...), and optionally ``failures`` and
        ``repeats``.

    Returns
    -------
    VirtualPrinter
    """
    truths = {name: Truth(**fields) for name, fields in described["truth"].items()}  # type: ignore[arg-type]
    return VirtualPrinter(
        truths,
        failures={str(k): str(v) for k, v in described.get("failures", {}).items()},
        repeats={str(k): int(str(v)) for k, v in described.get("repeats", {}).items()},
    )
