"""Instrument recipes: which readings a response needs and the formula that turns them into its value.

Flexure after ISO 178:2019, tension after ISO 527-1:2019, gloss geometry after ISO 2813:2014; the
formulas are textbook mechanics, the clauses are cited from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from kit.study.description import Response
from kit.study.quantities import GLOSS_DIRECTIONS, STRENGTH_INPUTS, VALUE
from kit.study.units import response_unit
from kit.words import conversion

FloatArray = npt.NDArray[np.float64]
Number = TypeVar("Number", float, FloatArray)

SPAN_RATIO = 16.0
"""Span over thickness in bending: 16, within 1 (ISO 178, from memory)."""

SPAN_RATIO_SLACK = 1.0

BLACK_GLASS_INDEX = 1.567
"""Refractive index of the polished black glass that counts 100 GU at every angle (ISO 2813)."""

PLA_INDEX = 1.459
"""Refractive index of PLA at 588 nm, 1.445 + 4892/588^2 (J. Polym. Environ. 14, 2006, 119-124)."""


def flexural_stress(
    force: Number, span: Number | float, width: Number, thickness: Number
) -> Number:
    """Give the bending stress of a bar on two supports loaded in the middle, 3 F L / (2 b h^2).

    Forces in N, lengths in mm, result in MPa (ISO 178).

    Returns
    -------
    float or array
        MPa.

    Examples
    --------
    >>> flexural_stress(100.0, 64.0, 10.0, 4.0)
    60.0
    """
    return 3 * force * span / (2 * width * thickness**2)


def wide_span_stress(
    force: float, span: float, width: float, thickness: float, deflection: float
) -> float:
    """Give the bending stress corrected for the thrust at the supports of a long span (MPa).

    For spans well above 16 thicknesses and large deflections (mm): ISO 178, from memory; ASTM D790
    has the same correction.

    Returns
    -------
    float
        MPa.
    """
    slope = deflection / span
    correction = 1 + 6 * slope**2 - 4 * thickness / span * slope
    return flexural_stress(force, span, width, thickness) * correction


def flexural_strain(deflection: Number, thickness: float, span: float) -> Number:
    """Give the strain of the outer face, 6 s h / L^2, as a number without unit (ISO 178).

    Returns
    -------
    float or array
        0.01 is 1 %.
    """
    return 6 * deflection * thickness / span**2


def deflection_at_strain(strain: float, thickness: float, span: float) -> float:
    """Give the mid-span deflection (mm) at which the outer face has this strain.

    Returns
    -------
    float
        mm.
    """
    return strain * span**2 / (6 * thickness)


def bending_speed(thickness: float, span: float, *, strain_per_minute: float = 0.01) -> float:
    """Give the speed of the loading nose (mm/min) for a strain rate, by default 1 % a minute (ISO 178).

    Returns
    -------
    float
        mm/min.
    """
    return deflection_at_strain(strain_per_minute, thickness, span)


def tensile_stress(force: Number, width: Number, thickness: Number) -> Number:
    """Give force over the measured section, F / (b h), N and mm to MPa (ISO 527-1).

    Returns
    -------
    float or array
        MPa.
    """
    return force / (width * thickness)


def advised_geometry(gloss_at_60: float) -> int:
    """Give the angle (degrees) at which a face of this 60 degree gloss (GU) is best read.

    60 in general, 20 above 70 GU, 85 below 10 GU (ISO 2813).

    Returns
    -------
    int
        20, 60 or 85.

    Examples
    --------
    >>> advised_geometry(75), advised_geometry(30), advised_geometry(5)
    (20, 60, 85)
    """
    if gloss_at_60 > 70:
        return 20
    return 85 if gloss_at_60 < 10 else 60


def specular_reflectance(index: float, angle: float) -> float:
    """Give the share of unpolarised light that a smooth face reflects (Fresnel).

    Parameters
    ----------
    index : float
        Refractive index of the material, > 1.
    angle : float
        Of incidence, degrees, 0 to 90.

    Returns
    -------
    float
        Between 0 and 1.
    """
    theta = np.deg2rad(angle)
    cosine, root = np.cos(theta), np.sqrt(index**2 - np.sin(theta) ** 2)
    across = ((cosine - root) / (cosine + root)) ** 2
    within = ((index**2 * cosine - root) / (index**2 * cosine + root)) ** 2
    return float((across + within) / 2)


def smooth_gloss(index: float, angle: float = 60) -> float:
    """Give the highest gloss (GU) that a smooth, unfilled face of this refractive index can have.

    Returns
    -------
    float
        GU.

    Examples
    --------
    >>> round(smooth_gloss(PLA_INDEX), 1)
    82.2
    """
    return 100 * specular_reflectance(index, angle) / specular_reflectance(BLACK_GLASS_INDEX, angle)


POLYMER_INDEX = {
    "pla": PLA_INDEX,
    "petg": 1.57,
    "pet": 1.57,
    "abs": 1.54,
    "asa": 1.53,
    "pc": 1.585,
    "pmma": 1.49,
    "pa": 1.53,
    "pa6": 1.53,
    "pa12": 1.52,
    "nylon": 1.53,
    "tpu": 1.50,
    "pp": 1.49,
    "hips": 1.59,
}
"""Refractive indices near 589 nm, from memory of polymer handbooks, but for PLA; only to catch impossible gloss readings."""

HIGHEST_INDEX = 1.6
"""No plain filament polymer is above it (from memory)."""


def highest_plain_gloss(polymer: str, angle: float = 60) -> float:
    """Give the GU above which a plain face of this polymer is doubtful: what a smooth one has and a thirtieth more.

    Parameters
    ----------
    polymer : str
        As the study names it; an unknown one gets the highest refractive index of all, no name that of PLA.
    angle : float, default 60
        Geometry of the meter, degrees.

    Returns
    -------
    float
        GU, rounded to whole ones.

    Examples
    --------
    >>> highest_plain_gloss("PLA"), highest_plain_gloss("PETG"), highest_plain_gloss("PLA", 20)
    (85.0, 104.0, 74.0)
    """
    name = polymer.strip().casefold()
    index = POLYMER_INDEX.get(name, HIGHEST_INDEX) if name else PLA_INDEX
    return float(round(smooth_gloss(index, angle) * 31 / 30))


@dataclass(frozen=True)
class Formula:
    """One way to get a specimen's value from the means of its readings.

    Attributes
    ----------
    inputs : tuple of str
        The k parts of the response that must be read: ``value``, ``along``, ``force`` ...
    value : callable
        From input means, shape (n, k), to values, shape (n,).
    slopes : callable
        From input means, shape (n, k), to the partial derivatives by each input, shape (n, k).
    averages : bool
        Whether it only averages readings of one kind, so that their scatter is that of the value.
    """

    inputs: tuple[str, ...]
    value: Callable[[FloatArray], FloatArray]
    slopes: Callable[[FloatArray], FloatArray]
    averages: bool = False


def formulas_for(response: Response) -> tuple[Formula, ...]:
    """Give the ways to compute a response; the first that has all its readings counts.

    Parameters
    ----------
    response : Response
        With its recipe.

    Returns
    -------
    tuple of Formula
        First the reading named like the response: that response itself, or, for a dimension, the size
        read, of which the nominal size is taken off. Gloss may be read along and across the printed
        lines instead; strength comes from ``force``, ``width`` and ``thickness``.
    """
    own = (_reading(response.nominal if response.recipe == "dimension" else None),)
    if response.strength_property != "strength":  # read off the curve as it is
        return own
    if response.recipe == "gloss":
        return (*own, _mean_of_directions())
    if response.recipe == "three_point_bending" and response.span is not None:
        return (*own, _bending(response.span, _from_mpa(response)))
    if response.recipe == "tensile":
        return (*own, _tension(_from_mpa(response)))
    return own


def _from_mpa(response: Response) -> float:
    # Give what turns MPa into the unit of the response.
    return conversion("MPa", response_unit(response)) or 1.0


def _reading(nominal: float | None) -> Formula:
    off = nominal or 0.0
    return Formula((VALUE,), lambda x: x[:, 0] - off, np.ones_like, averages=True)


def _mean_of_directions() -> Formula:
    return Formula(
        GLOSS_DIRECTIONS, lambda x: x.mean(axis=1), lambda x: np.full_like(x, 0.5), averages=True
    )


def _section(stress: Callable[..., FloatArray], power: int, unit: float) -> Formula:
    # Build a stress c F/(b h^power): relative sensitivities 1, -1, -power to force, width, thickness.

    def value(x: FloatArray) -> FloatArray:
        return unit * stress(x[:, 0], x[:, 1], x[:, 2])

    def slopes(x: FloatArray) -> FloatArray:
        rate: FloatArray = value(x)[:, None] * np.array([1.0, -1.0, -power]) / x
        return rate

    return Formula(STRENGTH_INPUTS, value, slopes)


def _bending(span: float, unit: float) -> Formula:
    return _section(lambda f, b, h: flexural_stress(f, span, b, h), 2, unit)


def _tension(unit: float) -> Formula:
    return _section(tensile_stress, 1, unit)
