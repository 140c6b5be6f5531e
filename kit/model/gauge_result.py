"""What a gauge study found: components of the scatter with their intervals."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import sqrt

from kit.model.gauge_strata import Strata


@dataclass(frozen=True)
class Component:
    """A variance and how well it is known.

    Attributes
    ----------
    variance : float
        Estimate, never below 0, in the squared unit of the readings.
    low, high : float
        Limits of the variance; missing where nothing gives them.
    raw : float
        As the mean squares have it: below 0 where chance made it so.
    """

    variance: float
    low: float
    high: float
    raw: float

    @property
    def sd(self) -> float:
        """Standard deviation, in the unit of the readings."""
        return sqrt(self.variance)

    @property
    def sd_low(self) -> float:
        """Lower limit of the standard deviation."""
        return sqrt(self.low)

    @property
    def sd_high(self) -> float:
        """Upper limit of the standard deviation."""
        return sqrt(self.high)


@dataclass(frozen=True)
class Gauge:
    """What a gauge study found.

    Attributes
    ----------
    layout : str
        ``crossed``: every operator measured every part; ``nested``: every operator has parts of their own;
        ``one operator``; ``one part``.
    destructive : bool
        Whether every reading used up a piece, so that repeatability holds what pieces of a print differ.
    parts, operators, readings : int
    repeats : float
        Harmonic mean of the readings of one operator on one part.
    components : mapping of str to Component or None
        ``repeatability``, ``operator``, ``interaction`` (of operators with parts), ``reproducibility`` (the two together),
        ``measuring`` (all of them), ``part``. None = not estimable from this layout.
    strata : Strata or None
        The analysis of variance; None where the table has gaps.
    reml : mapping of str to float
        The same components by restricted maximum likelihood; empty where it cannot be fitted.
    step : float
        Smallest step of the display, in the unit of the readings.
    mean, confidence : float
        Mean of all readings; confidence of the intervals.
    checks, notes : tuple of str
        Plain sentences: operators or cells unlike the others; what could not be separated and why.
    """

    layout: str
    destructive: bool
    parts: int
    operators: int
    readings: int
    repeats: float
    components: Mapping[str, Component | None]
    strata: Strata | None
    reml: Mapping[str, float]
    step: float
    mean: float
    confidence: float
    checks: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default_factory=tuple)

    @property
    def repeatability(self) -> Component:
        """The scatter of repeat readings; always there."""
        found = self.components["repeatability"]
        assert found is not None
        return found

    @property
    def measuring(self) -> Component:
        """All of the measuring that this layout can see."""
        found = self.components["measuring"]
        assert found is not None
        return found

    @property
    def step_floor(self) -> float:
        """What rounding to the display's step alone scatters: a / sqrt(12) (GUM 4.3.7)."""
        return self.step / sqrt(12)

    @property
    def repeat_sd(self) -> float:
        """Repeatability as an SD, not less than the display can show."""
        return max(self.repeatability.sd, self.step_floor)

    @property
    def measuring_sd(self) -> float:
        """All the measuring as an SD, not less than the display can show."""
        return max(self.measuring.sd, self.step_floor)
