"""How much of the scatter of print means is the reading of them."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from kit.bench.measured import Measured
from kit.model.gauge import repeats_needed
from kit.model.surface import Surface


@dataclass(frozen=True)
class MeasuringShare:
    """The measuring in the scatter of prints at the same settings.

    Attributes
    ----------
    print_sd : float
        Of print means as measured (root of the residual mean square).
    reading_sd : float
        What the scatter of readings adds to a print mean, as averaged in this study.
    added : float
        How much larger reading makes the SD of print means, as a share; at most 1 where reading could explain all of it.
    single_sd : float
        Of one reading (for a formula of several readings: of one specimen's value).
    repeats_needed : int or None
        Readings a specimen that keep the addition below a tenth; None where prints scatter no more than reading explains.
    source : str
        ``repeat readings`` of this study, or ``gauge study``.
    """

    print_sd: float
    reading_sd: float
    added: float
    single_sd: float
    repeats_needed: int | None
    source: str


def measuring_share(
    measured: Measured, surface: Surface, gauge_variance: float | None = None
) -> MeasuringShare | None:
    """Say how much of the scatter between print means comes from reading them.

    Parameters
    ----------
    measured : Measured
        Results of the response, with the variance of repeat readings.
    surface : Surface
        Its fit.
    gauge_variance : float, optional
        Repeatability from a gauge study, used where this study has no repeat readings.

    Returns
    -------
    MeasuringShare or None
        None where neither tells how readings scatter, or print means do not scatter at all.
    """
    single = measured.repeat_variance
    source = "repeat readings"
    if single is None:
        single, source = gauge_variance, "gauge study"
    total = surface.residual_variance / surface.stretch**2  # in the unit that readings have
    if single is None or total <= 0:
        return None
    m = measured.specimens_per_print
    in_mean = single / (m * measured.repeats_per_specimen)
    rest = max(total - in_mean, 0.0)
    added = min(1.0, sqrt(total / rest) - 1) if rest > 0 else 1.0
    # Averaging over specimens shrinks the reading as well, so a specimen needs fewer repeats.
    needed = repeats_needed(single / m, rest) if rest > 0.0 else None
    return MeasuringShare(sqrt(total), sqrt(in_mean), added, sqrt(single), needed, source)
