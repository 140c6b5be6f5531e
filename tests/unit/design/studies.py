"""Small invented studies, written out by hand."""

from __future__ import annotations

from typing import Any

from kit.study.description import (
    Design,
    Factor,
    Material,
    ModelChoice,
    Printer,
    Response,
    Specimen,
    Study,
)

NOZZLE = Factor(name="nozzle", kind="nozzle_temperature", unit="degC", low=190, high=230, step=5)
SPEED = Factor(name="speed", kind="speed", unit="mm/s", low=40, high=120, step=5)
FAN = Factor(name="fan", kind="fan_duty", unit="%", low=20, high=100, step=5)
BED = Factor(
    name="bed", kind="bed_temperature", unit="degC", low=50, high=70, step=5, hard_to_change=True
)
SPOOL = Factor(name="spool", kind="category", levels=("white", "pink"))
RESPONSES = (
    Response.model_validate(
        {"name": "width_error", "unit": "mm", "from": "dimension", "nominal": 20, "lower": -0.1}
    ),
    Response.model_validate({"name": "gloss", "unit": "GU", "from": "gloss", "lower": 30}),
    Response.model_validate(
        {"name": "strength", "unit": "MPa", "from": "three_point_bending", "span": 64, "lower": 50}
    ),
)


def study(
    *factors: Factor,
    terms: Any = None,
    printer: dict[str, Any] | None = None,
    specimen: dict[str, Any] | None = None,
    material: dict[str, Any] | None = None,
    **design: Any,
) -> Study:
    """A study of the given factors (nozzle, speed and fan by default) with a plan as asked."""
    return Study(
        title="Invented study",
        factor=factors or (NOZZLE, SPEED, FAN),
        response=RESPONSES,
        design=Design(**design),
        model=ModelChoice() if terms is None else ModelChoice(terms=terms),
        printer=Printer(**(printer or {})),
        specimen=Specimen(**(specimen or {})),
        material=Material(**(material or {})),
    )
