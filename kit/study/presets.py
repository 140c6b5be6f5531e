"""Factors and responses that a new study can start from; the ranges are common practice, no source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

DENSITIES: Mapping[str, float] = {
    "PLA": 1.24,
    "PETG": 1.27,
    "ABS": 1.04,
    "ASA": 1.07,
    "TPU": 1.21,
    "PC": 1.2,
}
"""g/cm3 of unfilled spools; common practice, no source."""


@dataclass(frozen=True)
class FactorPreset:
    """A factor with a range that most desktop printers can print.

    Attributes
    ----------
    kind, unit : str
    low, high, step : float
        In ``unit``.
    comment : str
        Beside the range in the file.
    levels : tuple of str
        For categories.
    """

    kind: str
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    step: float = 1.0
    comment: str = ""
    levels: tuple[str, ...] = ()


@dataclass(frozen=True)
class ResponsePreset:
    """A response with what its recipe needs.

    Attributes
    ----------
    recipe, unit, comment : str
    needed, limits : tuple of (key, value, meaning)
        Lines written out, and lines written as comments.
    """

    recipe: str
    unit: str
    comment: str
    needed: tuple[tuple[str, str, str], ...] = ()
    limits: tuple[tuple[str, str, str], ...] = ()


FACTOR_PRESETS: Mapping[str, FactorPreset] = {
    "nozzle": FactorPreset(
        "nozzle_temperature", "degC", 200, 220, 5, "degC, inside the range on the spool"
    ),
    "bed": FactorPreset("bed_temperature", "degC", 50, 65, 5, "degC"),
    "speed": FactorPreset("speed", "mm/s", 40, 120, 5, "mm/s"),
    "fan": FactorPreset("fan_duty", "%", 20, 100, 5, "percent, not 0-255"),
    "flow": FactorPreset("flow", "%", 94, 106, 1, "percent"),
    "layer_height": FactorPreset("layer_height", "mm", 0.12, 0.28, 0.04, "mm"),
    "spool": FactorPreset("category", levels=("white", "pink")),
}

RESPONSE_PRESETS: Mapping[str, ResponsePreset] = {
    "width_error": ResponsePreset(
        "dimension",
        "mm",
        "caliper; the size as read goes into readings.csv",
        (("nominal", "20", "mm, the size as drawn"),),
        (("lower", "-0.10", "deviation from nominal"), ("upper", "0.10", "deviation from nominal")),
    ),
    "gloss": ResponsePreset(
        "gloss",
        "GU",
        "glossmeter; every spot is a repeat",
        (("geometry", "60", "degrees; 20 above 70 GU, 85 below 10 GU (ISO 2813)"),),
        (("lower", "30", "at least"), ("upper", "50", "at most")),
    ),
    "bending_strength": ResponsePreset(
        "three_point_bending",
        "MPa",
        "force, width and thickness of each bar",
        (("span", "64", "mm between the supports; 16 times the thickness (ISO 178)"),),
        (("lower", "50", "at least"),),
    ),
    "tensile_strength": ResponsePreset(
        "tensile",
        "MPa",
        "force, width and thickness of each bar",
        (),
        (("lower", "35", "at least"),),
    ),
    "looks": ResponsePreset(
        "score",
        "points",
        "0 (bad) to 5 (good), judged without knowing the settings",
        (),
        (("lower", "3", "at least"),),
    ),
}
