"""A virtual bench: gauge studies, references, curves and ratings from a stated truth.

As with the virtual printer, everything it gives is simulated and must be said to be so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.bench.recipes import flexural_strain
from kit.terms import FloatArray


@dataclass(frozen=True)
class GaugeTruth:
    """The truth of a gauge study, in the unit of the readings.

    Attributes
    ----------
    mean : float
        Of all parts.
    part_sd, operator_sd, interaction_sd, repeat_sd : float
        Scatter between parts, between operators, of operators from part to part, and of repeat readings.
    decimals : int
        Display of the instrument.
    """

    mean: float
    part_sd: float
    operator_sd: float
    interaction_sd: float
    repeat_sd: float
    decimals: int = 2

    def read(self, plan: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
        """Fill in the readings of a gauge plan.

        Parameters
        ----------
        plan : DataFrame
            As `kit.design.gauge_plan.plan_gauge` gives it.
        rng : Generator
            Source of all scatter.

        Returns
        -------
        DataFrame
            The plan with ``value`` filled in.
        """
        part, parts = pd.factorize(plan["part"], sort=True)
        operator, operators = pd.factorize(plan["operator"], sort=True)
        shape = (len(parts), len(operators))
        value = (
            self.mean
            + rng.normal(0, self.part_sd, shape[0])[part]
            + rng.normal(0, self.operator_sd, shape[1])[operator]
            + rng.normal(0, self.interaction_sd, shape)[part, operator]
            + rng.normal(0, self.repeat_sd, len(plan))
        )
        return plan.assign(value=np.round(value, self.decimals))


@dataclass(frozen=True)
class InstrumentTruth:
    """What a virtual instrument shows of a true value: constant + (1 + slope) x true + scatter, rounded."""

    constant: float
    slope: float
    repeat_sd: float
    decimals: int = 2

    def show(self, true: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Give what the display shows of true values."""
        shown = self.constant + (1 + self.slope) * true + rng.normal(0, self.repeat_sd, len(true))
        return np.asarray(np.round(shown, self.decimals))

    def read_references(
        self,
        instrument: str,
        references: Mapping[str, float],
        rng: np.random.Generator,
        *,
        repeats: int,
        unit: str,
        u_true: float,
    ) -> pd.DataFrame:
        """Give the rows of ``references.csv`` of one instrument.

        Parameters
        ----------
        instrument : str
            Its name.
        references : mapping of name to true value
            In the unit.
        rng : Generator
            Source of all scatter.
        repeats : int
            Readings of each.
        unit : str
            As written.
        u_true : float
            Standard uncertainty of the references, in the unit.

        Returns
        -------
        DataFrame
        """
        names: Sequence[str] = [n for n in references for _ in range(repeats)]
        true = np.array([references[n] for n in names], dtype=float)
        frame = pd.DataFrame({"instrument": instrument, "reference": names, "true_value": true})
        frame["reading"] = self.show(true, rng)
        return frame.assign(unit=unit, u_true=u_true, step=10.0**-self.decimals, note="")


@dataclass(frozen=True)
class CurveTruth:
    """The truth of a bending test: straight up to a share of the strength, then bending over, then breaking.

    Attributes
    ----------
    modulus, strength : float
        MPa.
    straight : float
        Stress up to which the curve is straight, as a share of the strength.
    toe_mm : float
        Travel before the specimen takes its full load.
    quiet : int
        Points before loading starts.
    zero_n, noise_n : float
        Force that the load cell shows at rest; scatter of single points.
    speed_mm_s, rate_hz : float
        Of the loading nose; of the recording.
    past_peak : float
        How far it is stretched past the peak before it breaks, as a share of the strain there; 0 = breaks at the peak.
    """

    modulus: float
    strength: float
    straight: float = 0.5
    toe_mm: float = 0.05
    quiet: int = 10
    zero_n: float = 0.0
    noise_n: float = 0.05
    speed_mm_s: float = 0.05
    rate_hz: float = 10.0
    past_peak: float = 0.0

    def stress(self, strain: FloatArray) -> FloatArray:
        """Give the true stress (MPa) at strains (numbers): straight, then towards the strength as 1 - exp."""
        knee = self.straight * self.strength / self.modulus
        rest = self.strength * (1 - self.straight)
        beyond = np.maximum(strain - knee, 0.0)
        bent = self.straight * self.strength + rest * (
            1 - np.exp(-self.modulus * beyond / rest)
        ) / (1 - np.exp(-4.0))
        return np.asarray(np.where(strain <= knee, self.modulus * strain, bent))

    @property
    def peak_strain(self) -> float:
        """Strain at which the strength is reached: four times the fall of the exponential beyond the knee."""
        return self.strength / self.modulus * (self.straight + 4 * (1 - self.straight))

    def record(
        self, width: float, thickness: float, span: float, rng: np.random.Generator
    ) -> pd.DataFrame:
        """Give what a bending rig records.

        Parameters
        ----------
        width, thickness, span : float
            mm.
        rng : Generator
            Source of the noise.

        Returns
        -------
        DataFrame
            ``time`` (s), ``travel`` (mm), ``force`` (N).
        """
        per_mm = flexural_strain(1.0, thickness, span)
        last = self.peak_strain * (1 + self.past_peak) / per_mm + self.toe_mm
        step = self.speed_mm_s / self.rate_hz
        travel = np.concatenate(
            [np.zeros(self.quiet), np.arange(0, last, step), last + step * np.arange(1, 6)]
        )
        # The toe: the contact closes softly, and beyond it the curve is the true one shifted by the toe.
        soft = np.where(
            travel < 2 * self.toe_mm,
            travel**2 / (4 * self.toe_mm) if self.toe_mm else 0.0,
            travel - self.toe_mm,
        )
        strain = np.minimum(soft * per_mm, self.peak_strain)
        fall = np.maximum(soft * per_mm - self.peak_strain, 0.0) / self.peak_strain
        stress = self.stress(strain) * (1 - 0.3 * fall)
        force = stress * 2 * width * thickness**2 / (3 * span)
        force[travel > last] = 0.0
        force = force + self.zero_n + rng.normal(0, self.noise_n, len(force))
        time = np.arange(len(travel)) / self.rate_hz
        return pd.DataFrame(
            {"time": time.round(3), "travel": travel.round(4), "force": force.round(2)}
        )
