"""A virtual printer: readings from a stated truth.

Used for the demo studies, for rehearsing a plan before a gram is printed, and in the tests of coverage. It
calls the rooms above; they never call it. Everything it gives is simulated and must be said to be so.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import special

from kit.bench.recipes import flexural_stress
from kit.design.height_stacked import heights
from kit.design.order import specimen_label
from kit.printer import assess_prints
from kit.study.description import Response, Study
from kit.terms import FloatArray, expand_terms, model_matrix

BAR_WIDTH_MM, BAR_THICKNESS_MM = 10.0, 4.0
"""Preferred bending specimen of ISO 178: 80 x 10 x 4 mm."""

BAR_SD_MM, CALIPER_SD_MM = 0.03, 0.01

MELT_SPREAD = 0.05
"""A print that needs 5 % more melt than the printer gives fails five times out of six; invented."""


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
    block_sd : float
        Scatter between blocks (plates, days, changes of a setting).
    group_sd : mapping of column to float
        Scatter between the groups of further columns of the runs table, such as ``spool``; where the runs have no
        such column, all belong to one group.
    drift : float
        Change from the first print to the last, in a straight line over the print order.
    height : float
        Half the change from the plate to the top of a stack of levels.
    """

    coefficients: Mapping[str, float]
    print_sd: float = 0.0
    specimen_sd: float = 0.0
    reading_sd: float = 0.0
    decimals: int = 2
    block_sd: float = 0.0
    group_sd: Mapping[str, float] = field(default_factory=dict)
    drift: float = 0.0
    height: float = 0.0

    def mean(self, study: Study, settings: pd.DataFrame) -> FloatArray:
        """Give the true mean response at natural settings, shape (n,)."""
        coding = study.coding
        names = [n for n in self.coefficients if n != "intercept"]
        terms = expand_terms(coding, names)
        values = np.array([self.coefficients.get(t.name, 0.0) for t in terms])
        return np.asarray(model_matrix(coding, terms, coding.code(settings)) @ values)

    def disturbances(self, runs: pd.DataFrame, rng: np.random.Generator) -> FloatArray:
        """Give what is added to the mean of each run, shape (n,): scatter of every kind, drift and height."""
        added = rng.normal(0, self.print_sd, len(runs))
        for column, sd in {"block": self.block_sd, **self.group_sd}.items():
            if (
                sd > 0
            ):  # nothing is drawn for what is not there, so that older truths keep their readings
                labels = runs[column].to_numpy() if column in runs else np.zeros(len(runs))
                names, place = np.unique(labels, return_inverse=True)
                added = added + rng.normal(0, sd, len(names))[place]
        if self.drift:
            order = runs["print_order"].rank().to_numpy(dtype=float) - 1
            added = added + self.drift * order / max(len(runs) - 1, 1)
        if self.height:
            added = added + self.height * heights(runs)
        return np.asarray(added, dtype=float)


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
    offset : float
        degC that the nozzle is hotter than the truths' printer would be at the same indication.
    bias : mapping of response name to float
        What this printer adds to a response whatever the settings, in the response's unit.
    fails_at_melt_limit : bool
        Whether prints fail that need more melt than the printer can give.
    fail_chance : float
        Chance that any print fails for no reason at all.
    """

    truths: Mapping[str, Truth]
    failures: Mapping[str, str] = field(default_factory=dict)
    repeats: Mapping[str, int] = field(default_factory=dict)
    offset: float = 0.0
    bias: Mapping[str, float] = field(default_factory=dict)
    fails_at_melt_limit: bool = False
    fail_chance: float = 0.0

    def failing(self, study: Study, runs: pd.DataFrame, rng: np.random.Generator) -> dict[str, str]:
        """Draw which runs fail and say why; those named in ``failures`` always do."""
        found = dict(self.failures)
        names = runs["run"].astype(str).tolist()
        if self.fails_at_melt_limit:
            table = assess_prints(study, runs).table
            load = (table["throughput_mm3_s"] / table["melt_limit_mm3_s"]).to_numpy(dtype=float)
            fails = rng.normal(0, MELT_SPREAD, len(runs)) < load - 1
            found |= {n: "under-extruded" for n, f in zip(names, fails, strict=True) if f}
        if self.fail_chance:
            fails = rng.random(len(runs)) < self.fail_chance
            found |= {n: "came loose" for n, f in zip(names, fails, strict=True) if f}
        return found

    def print_means(
        self, study: Study, runs: pd.DataFrame, response: Response, rng: np.random.Generator
    ) -> FloatArray:
        """Give what each print is on average over its specimens' own scatter, shape (n,)."""
        truth = self.truths[response.name]
        means = truth.mean(study, self.felt(study, runs)) + self.bias.get(response.name, 0.0)
        return np.asarray(means + truth.disturbances(runs, rng))

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
        failures = self.failing(study, runs, rng)
        failed = runs["run"].isin(failures.keys())
        runs["status"] = np.where(failed, "failed", "printed")
        runs["note"] = runs["run"].map(failures).fillna(runs["note"])
        rows: list[dict[str, object]] = []
        for response in study.responses:
            truth = self.truths[response.name]
            means = self.print_means(study, runs, response, rng)
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

    def felt(self, study: Study, runs: pd.DataFrame) -> pd.DataFrame:
        """Give the settings as the truths' printer would have to indicate them."""
        nozzle = [f.name for f in study.factors if f.kind == "nozzle_temperature"][:1]
        return runs.assign(**{name: runs[name] + self.offset for name in nozzle})

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
        if response.passes_or_fails:  # the truth states log odds
            yield shown(response.name, float(rng.uniform() < special.expit(value)), "", 1, 0)
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
        One table a response under ``truth`` (``coefficients``, ``print_sd``, ...), and optionally ``failures``,
        ``repeats``, ``offset``, ``bias``, ``fails_at_melt_limit`` and ``fail_chance``.

    Returns
    -------
    VirtualPrinter
    """
    truths = {name: Truth(**fields) for name, fields in described["truth"].items()}  # type: ignore[arg-type]
    return VirtualPrinter(
        truths,
        failures={str(k): str(v) for k, v in described.get("failures", {}).items()},
        repeats={str(k): int(str(v)) for k, v in described.get("repeats", {}).items()},
        offset=float(str(described.get("offset", 0.0))),
        bias={str(k): float(str(v)) for k, v in described.get("bias", {}).items()},
        fails_at_melt_limit=bool(described.get("fails_at_melt_limit", False)),
        fail_chance=float(str(described.get("fail_chance", 0.0))),
    )
