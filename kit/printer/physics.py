"""The physics of filament printing in small functions, each with the unit in its argument's name.

Arrays go in and come out; nothing here knows of a study.
"""

from __future__ import annotations

from math import inf, isfinite, pi

import numpy as np
import numpy.typing as npt

from kit.terms import FloatArray

MeltLimit = float | tuple[tuple[float, float], ...] | None
"""mm3/s, or (degC, mm3/s) pairs, or nothing stated."""


def peak_speed(
    speed_mm_s: npt.ArrayLike,
    corner_speed_mm_s: float,
    acceleration_mm_s2: float,
    straight_mm: float,
) -> FloatArray:
    """Give the highest speed on a straight that is entered and left at corner speed.

    Parameters
    ----------
    speed_mm_s : array_like
        Set speed, mm/s.
    corner_speed_mm_s : float
        Speed kept through corners, mm/s; 0 = from rest to rest.
    acceleration_mm_s2, straight_mm : float
        Acceleration, mm/s2, and length of the straight, mm.

    Returns
    -------
    array
        min(v, sqrt(vc^2 + a L)), mm/s, shaped as ``speed_mm_s``.

    Notes
    -----
    Exact kinematics at constant acceleration: half the straight speeds up, half slows down.

    Examples
    --------
    300 mm/s at 3000 mm/s2 needs 30 mm from rest to rest:

    >>> float(peak_speed(300, 0, 3000, 30)), round(float(peak_speed(300, 0, 3000, 20)), 1)
    (300.0, 244.9)
    """
    reach = np.sqrt(corner_speed_mm_s**2 + acceleration_mm_s2 * straight_mm)
    return np.asarray(np.minimum(speed_mm_s, reach), dtype=float)


def share_at_speed(
    speed_mm_s: npt.ArrayLike,
    corner_speed_mm_s: float,
    acceleration_mm_s2: float,
    straight_mm: float,
) -> FloatArray:
    """Give the share of a straight's length that is run at the set speed; 0 where it is never reached.

    Parameters and assumptions as in `peak_speed`.

    Returns
    -------
    array
        1 - (v^2 - vc^2) / (a L), cut at 0 and 1.

    Examples
    --------
    >>> round(float(share_at_speed(60, 8, 1000, 7.072)), 3), float(share_at_speed(150, 0, 500, 20))
    (0.5, 0.0)
    """
    v = np.asarray(speed_mm_s, dtype=float)
    speeding_mm = np.maximum(v**2 - corner_speed_mm_s**2, 0.0) / acceleration_mm_s2
    return np.clip(1 - speeding_mm / straight_mm, 0.0, 1.0)


def move_time_s(
    speed_mm_s: npt.ArrayLike,
    corner_speed_mm_s: float,
    acceleration_mm_s2: float,
    straight_mm: float,
) -> FloatArray:
    """Give the time for one straight that is entered and left at corner speed.

    Parameters and assumptions as in `peak_speed`.

    Returns
    -------
    array
        Seconds.

    Examples
    --------
    >>> float(move_time_s(100, 0, 1000, 10)), float(move_time_s(50, 50, 1000, 10))
    (0.2, 0.2)
    """
    peak = peak_speed(speed_mm_s, corner_speed_mm_s, acceleration_mm_s2, straight_mm)
    corner = np.minimum(corner_speed_mm_s, peak)
    ramps_mm = (peak**2 - corner**2) / acceleration_mm_s2
    ramps_s = 2 * (peak - corner) / acceleration_mm_s2
    return np.asarray(ramps_s + np.maximum(straight_mm - ramps_mm, 0) / peak)


def line_cross_section(width_mm: npt.ArrayLike, height_mm: npt.ArrayLike) -> FloatArray:
    """Give the cross-section of a printed line with rounded sides, mm2: (w - h) h + pi h^2 / 4.

    Parameters
    ----------
    width_mm, height_mm : array_like
        Width of the line and height of the layer, mm.

    Returns
    -------
    array
        mm2; not a number where the line would be narrower than it is high, a shape it cannot have.

    Examples
    --------
    >>> round(float(line_cross_section(0.45, 0.20)), 4)
    0.0814
    """
    w, h = np.asarray(width_mm, dtype=float), np.asarray(height_mm, dtype=float)
    return np.where(w >= h, (w - h) * h + pi * h**2 / 4, np.nan)


def throughput(cross_section_mm2: npt.ArrayLike, speed_mm_s: npt.ArrayLike) -> FloatArray:
    """Give the melt throughput: cross-section times speed.

    Returns
    -------
    array
        mm3/s.

    Examples
    --------
    >>> float(throughput(0.08, 100))
    8.0
    """
    return np.asarray(np.multiply(cross_section_mm2, speed_mm_s), dtype=float)


def melt_limit_at(limit: MeltLimit, temperature_degc: float | None) -> tuple[float | None, str]:
    """Give what the hot end melts at a temperature, mm3/s, and a note where that is not quite known.

    Parameters
    ----------
    limit : float, (degC, mm3/s) pairs, or None
        As in ``study.toml``; between pairs it is interpolated, outside them held constant.
    temperature_degc : float or None
        Nozzle temperature; None or not a number = unknown: then the lowest of the pairs counts.

    Returns
    -------
    limit : float or None
        mm3/s; None when nothing is stated.
    note : str
        Empty, or a plain sentence.

    Examples
    --------
    >>> melt_limit_at(((190, 8.0), (230, 12.0)), 200)
    (9.0, '')
    >>> melt_limit_at(((190, 8.0), (230, 12.0)), 250)[1]
    'Above 230 °C the melt limit is not stated; the value there, 12 mm³/s, is used.'
    """
    if limit is None or isinstance(limit, int | float):
        return limit, ""
    pairs = np.array(sorted(limit), dtype=float)
    temperatures, values = pairs[:, 0], pairs[:, 1]
    if temperature_degc is None or not isfinite(temperature_degc):
        return float(values.min()), (
            "The melt limit depends on temperature, but no factor says the nozzle temperature; "
            f"the lowest stated limit, {plain(values.min())} mm³/s, is used."
        )
    value = float(np.interp(temperature_degc, temperatures, values))
    for beyond, word, end in (
        (temperature_degc < temperatures[0], "Below", temperatures[0]),
        (temperature_degc > temperatures[-1], "Above", temperatures[-1]),
    ):
        if beyond:
            return value, (
                f"{word} {plain(end)} °C the melt limit is not stated; "
                f"the value there, {plain(value)} mm³/s, is used."
            )
    return value, ""


def layer_time_s(path_mm: npt.ArrayLike, speed_mm_s: npt.ArrayLike) -> FloatArray:
    """Give the time for one layer at constant speed.

    Returns
    -------
    array
        Seconds.

    Examples
    --------
    >>> float(layer_time_s(600, 100))
    6.0
    """
    return np.asarray(np.divide(path_mm, speed_mm_s), dtype=float)


def effective_speed(
    speed_mm_s: npt.ArrayLike, path_mm: float, min_layer_time_s: float
) -> FloatArray:
    """Give the speed that is left after the slow-down for the minimum layer time.

    Where path / t_min is below both of two speed levels, the two are one treatment.

    Returns
    -------
    array
        min(v, path / t_min), mm/s.

    Examples
    --------
    >>> effective_speed([40, 80, 120], 480, 8).tolist()
    [40.0, 60.0, 60.0]
    """
    fastest = path_mm / min_layer_time_s if min_layer_time_s > 0 else inf
    return np.asarray(np.minimum(speed_mm_s, fastest), dtype=float)


def mass_g(volume_cm3: npt.ArrayLike, density_g_cm3: float) -> FloatArray:
    """Give the mass of a volume of polymer.

    Returns
    -------
    array
        Grams.

    Examples
    --------
    >>> float(mass_g(10, 1.24))
    12.4
    """
    return np.asarray(np.multiply(volume_cm3, density_g_cm3), dtype=float)


def filament_length_m(mass: npt.ArrayLike, density_g_cm3: float, diameter_mm: float) -> FloatArray:
    """Give the length of filament that weighs ``mass`` grams.

    Returns
    -------
    array
        Metres.

    Examples
    --------
    One metre of 1.75 mm at 1.24 g/cm3 weighs 2.983 g:

    >>> round(float(filament_length_m(2.983, 1.24, 1.75)), 3)
    1.0
    """
    section_mm2 = pi * diameter_mm**2 / 4
    return np.asarray(np.divide(mass, density_g_cm3 * section_mm2), dtype=float)


def print_time_min(layers: npt.ArrayLike, layer_time: npt.ArrayLike) -> FloatArray:
    """Give the time for ``layers`` layers of ``layer_time`` seconds each; no heating, no handling.

    Returns
    -------
    array
        Minutes.

    Examples
    --------
    >>> float(print_time_min(100, 6.0))
    10.0
    """
    return np.asarray(np.multiply(layers, layer_time), dtype=float) / 60


def plain(value: float) -> str:
    """Give a number to three digits, or to the whole from 100 on.

    Returns
    -------
    str
        Without trailing zeros.

    Examples
    --------
    >>> plain(141.42), plain(0.0814), plain(12.0), plain(1414.2)
    ('141', '0.0814', '12', '1414')
    """
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"
