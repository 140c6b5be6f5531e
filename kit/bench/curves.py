"""What a force-extension curve says: modulus, strength, yield, strains, and how far it can be believed.

Bending after ISO 178:2019, tension after ISO 527-1:2019 (definitions cited from memory): chord modulus between 0.05 % and 0.25 %
strain, strength = the highest stress, toe correction by the tangent of the steepest part.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

import numpy as np

from kit.bench.recipes import flexural_strain, flexural_stress, tensile_stress
from kit.study.curve_files import RawCurve
from kit.study.description import Curves
from kit.terms import FloatArray

ONE_PLACE = 1e-10
"""Strains or millimetres closer than this are one place."""
CHORD = (0.0005, 0.0025)
"""Strains between which the modulus is taken (ISO 178, ISO 527-1)."""
STILL, FEWEST_QUIET = 1e-4, 5
"""The force counts as zero before the extension first moves by this share of its range, if so many points stand there."""
TANGENT_SPAN, TANGENT_STARTS = 0.2, (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4)
"""Shares of the peak force over which the steepest part is looked for."""
DROP, GONE = 0.2, 0.4
"""Broken: the force falls by this share of the peak from one point to the next, or below this share of it."""
AFTER_PEAK = 0.05
"""It yielded where it stretched on by this share of the strain at the peak before it broke."""
LOSS_SHARE, AT_LIMIT = 0.01, 0.995
FLAT_POINTS, RISE_POINTS, RISEN = 4, 20, 0.02
BENT = 0.05
"""Chord modulus farther than this share from the regression or the steepest slope: bent or noisy at the start."""


@dataclass(frozen=True, eq=False)
class CurveReading:
    """What was read off one curve.

    Attributes
    ----------
    run, specimen, file : str
    peak_force : float
        N, zero taken off.
    strength : float
        MPa, the highest stress.
    modulus, modulus_regression : float
        MPa, chord and least squares over the same strains; missing without strain or with too few points there.
    yield_stress : float
        MPa; missing where it broke without yielding.
    strain_at_strength, strain_at_break : float
        In percent; missing without strain, or where the file ends before a break.
    zero_force, toe : float
        Force at rest (N) and toe (strain, or mm without strain) taken off.
    sampling_loss : float
        N: the peak may be so much higher, because the points lie so far apart.
    censored : bool
        The instrument's limit was reached: the true strength is at least this.
    broke : bool
        Whether the curve holds the break.
    x, stress : arrays, shape (n,)
        Corrected strain (or extension in mm) and stress in MPa.
    has_strain : bool
    peak, end : int
        Positions of the highest point and of the last one before the break.
    flags : tuple of str
        What to mind.
    """

    run: str
    specimen: str
    file: str
    peak_force: float
    strength: float
    modulus: float
    modulus_regression: float
    yield_stress: float
    strain_at_strength: float
    strain_at_break: float
    zero_force: float
    toe: float
    sampling_loss: float
    censored: bool
    broke: bool
    x: FloatArray
    stress: FloatArray
    has_strain: bool
    peak: int
    end: int
    flags: tuple[str, ...]

    def stress_at(self, strain: float) -> float:
        """Give the stress at a strain (as a number, 0.035 = 3.5 %) before the break; missing beyond it."""
        return _at(self.x[: self.end + 1], self.stress[: self.end + 1], strain)


def read_curve(
    curve: RawCurve,
    *,
    width: float,
    thickness: float,
    span: float | None = None,
    rig: Curves | None = None,
) -> CurveReading:
    """Read strength, modulus, strains and yield off a curve.

    Parameters
    ----------
    curve : RawCurve
        Force in N, extension in mm.
    width, thickness : float
        Of the section, mm, > 0.
    span : float, optional
        Distance of the supports, mm: bending. Without it the curve is of a tension test.
    rig : Curves, optional
        Gauge length (tension), the limit of the load cell, the compliance of the rig.

    Returns
    -------
    CurveReading
    """
    rig = rig or Curves()
    zero = _zero(curve.force, curve.extension)
    force = curve.force - zero
    peak = int(np.argmax(force))
    end, broke = _break(force, peak)
    travel = curve.extension - curve.extension[0] - rig.compliance * force
    scale = _strain_scale(thickness, span, rig)
    x = travel * (scale or 1.0)
    stress = _stress(force, width, thickness, span)
    toe, steepest = _toe(stress, x, peak)
    x = x - toe
    chord, regression = _moduli(x, stress, peak) if scale else (nan, nan)
    percent = 100 * x
    yielded = bool(peak < end and percent[end] - percent[peak] > AFTER_PEAK * percent[peak])
    loss = _sampling_loss(force, peak, end, broke)
    censored = _is_censored(curve.force, rig.force_limit)
    return CurveReading(
        run=curve.run,
        specimen=curve.specimen,
        file=curve.file,
        peak_force=float(force[peak]),
        strength=float(stress[peak]),
        modulus=chord,
        modulus_regression=regression,
        yield_stress=float(stress[peak]) if yielded and not censored else nan,
        strain_at_strength=float(percent[peak]) if scale else nan,
        strain_at_break=float(percent[end]) if scale and broke else nan,
        zero_force=zero,
        toe=toe,
        sampling_loss=loss,
        censored=censored,
        broke=broke,
        x=x,
        stress=stress,
        has_strain=scale is not None,
        peak=peak,
        end=end,
        flags=tuple(
            _flags(loss / float(force[peak]), censored, broke, steepest, chord, regression)
        ),
    )


def _stress(force: FloatArray, width: float, thickness: float, span: float | None) -> FloatArray:
    # Stress is proportional to force.
    if span is not None:
        return force * flexural_stress(1.0, span, width, thickness)
    return force * tensile_stress(1.0, width, thickness)


def _strain_scale(thickness: float, span: float | None, rig: Curves) -> float | None:
    """Give strain a millimetre of extension; None for tension without a gauge length."""
    if span is not None:
        return float(flexural_strain(1.0, thickness, span))
    return 1 / rig.gauge_length if rig.gauge_length else None


def _zero(force: FloatArray, extension: FloatArray) -> float:
    """Give the force at rest: the median of the points before anything moves, if there are enough."""
    moved = np.flatnonzero(np.abs(extension - extension[0]) > STILL * np.ptp(extension))
    quiet = int(moved[0]) if len(moved) else 0
    return float(np.median(force[:quiet])) if quiet >= FEWEST_QUIET else 0.0


def _break(force: FloatArray, peak: int) -> tuple[int, bool]:
    """Give the last point before the break, and whether it broke at all."""
    top = force[peak]
    after = force[peak:]
    falls = np.flatnonzero(np.diff(after) < -DROP * top)
    gone = np.flatnonzero(after < GONE * top)
    ends = [int(falls[0])] if len(falls) else []
    ends += [int(gone[0]) - 1] if len(gone) else []
    return (peak + min(ends), True) if ends else (len(force) - 1, False)


def _toe(force: FloatArray, x: FloatArray, peak: int) -> tuple[float, float]:
    """Give where the tangent of the steepest part meets zero, and its slope; missing where there is no part to take."""
    top = force[peak]
    best, toe = 0.0, nan
    for start in TANGENT_STARTS:
        inside = np.flatnonzero(
            (force[: peak + 1] >= start * top) & (force[: peak + 1] <= (start + TANGENT_SPAN) * top)
        )
        slope, level = _line(x[inside], force[inside])
        # A later part counts only when it is clearly steeper: noise alone makes some part the steepest.
        if slope > best * 1.02:
            best, toe = slope, -level / slope
    return (toe, best) if np.isfinite(toe) else (float(x[0]), nan)


def _moduli(x: FloatArray, stress: FloatArray, peak: int) -> tuple[float, float]:
    """Give chord and regression modulus between the two strains of the standards."""
    rise, rising = x[: peak + 1], stress[: peak + 1]
    ends = [_at(rise, rising, strain) for strain in CHORD]
    inside = (rise >= CHORD[0]) & (rise <= CHORD[1])
    slope, _ = _line(rise[inside], rising[inside])
    return (ends[1] - ends[0]) / (CHORD[1] - CHORD[0]), slope


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Give slope and level of the line through points; missing where they are too few or all at one place."""
    if len(x) < 3 or not np.ptp(x) > max(ONE_PLACE, ONE_PLACE * float(np.abs(x).max())):
        return nan, nan
    slope, level = np.polyfit(x, y, 1)
    return float(slope), float(level)


def _at(x: FloatArray, y: FloatArray, place: float) -> float:
    """Interpolate at the first crossing; missing where the curve does not reach there."""
    if not x.min() <= place <= x.max():
        return nan
    first = int(np.flatnonzero(x >= place)[0])
    if first == 0 or x[first] == x[first - 1]:
        return float(y[first])
    share = (place - x[first - 1]) / (x[first] - x[first - 1])
    return float(y[first - 1] + share * (y[first] - y[first - 1]))


def _sampling_loss(force: FloatArray, peak: int, end: int, broke: bool) -> float:
    """Give what the peak may be higher, because it broke between two points while the force still rose."""
    if not broke or end > peak or peak < 3:
        return 0.0
    return max(0.0, float(force[peak] - force[peak - 3]) / 3)


def _is_censored(force: FloatArray, limit: float | None) -> bool:
    top = force.max()
    if limit is not None and top >= AT_LIMIT * limit:
        return True
    flat = np.flatnonzero(force == top)
    first, count = int(flat[0]), len(flat)
    if count < FLAT_POINTS or flat[-1] - first != count - 1 or first < FLAT_POINTS:
        return False
    # A display that stands still at its highest value: had the load gone on rising as before, it would be well above.
    back = min(first, RISE_POINTS)
    rise = float(force[first] - force[first - back]) / back
    return bool(rise * count > RISEN * top)


def _flags(
    loss: float, censored: bool, broke: bool, steepest: float, chord: float, regression: float
) -> list[str]:
    flags = []
    if censored:
        flags.append("at the limit of the instrument")
    if loss > LOSS_SHARE:
        flags.append(f"peak up to {100 * loss:.0f} % higher between two points")
    if not broke:
        flags.append("no break in the file")
    if not np.isfinite(steepest):
        flags.append("too few points for a toe correction")
    others = [slope for slope in (regression, steepest) if np.isfinite(slope)]
    if np.isfinite(chord) and any(abs(chord / slope - 1) > BENT for slope in others):
        flags.append("bent or noisy where the modulus is read")
    return flags
