"""Table Schema of the package's tables: every column with its type, unit, meaning and constraints."""

from __future__ import annotations

from typing import Any

from kit.study.description import Factor, Study
from kit.words import FACTOR_KINDS, unit_label

Field = dict[str, Any]


def runs_schema(study: Study, columns: list[str]) -> dict[str, Any]:
    """Describe ``tables/runs.csv``.

    Parameters
    ----------
    study : Study
        For units and coding of the factors.
    columns : list of str
        As they stand in the table.

    Returns
    -------
    dict
        A Table Schema descriptor.
    """
    known = {
        "run": _field(
            "run", "string", "One printed combination of settings.", required=True, unique=True
        ),
        "round": _field(
            "round",
            "string",
            "Stage of the study; prints of the round 'confirmation' entered no fit.",
        ),
        "block": _field("block", "integer", "Plate, day or whole plot.", minimum=1),
        "print_order": _field(
            "print_order", "integer", "Place in the random printing order.", minimum=1
        ),
        "status": _field(
            "status",
            "string",
            "What became of it.",
            required=True,
            enum=["planned", "printed", "failed"],
        ),
        "note": _field("note", "string", "The maker's remark."),
    }
    for factor in study.factors:
        known[factor.name] = _factor(factor, factor.name, "planned")
        known[f"{factor.name}_actual"] = _factor(factor, f"{factor.name}_actual", "really set")
    fields = [known.get(c) or _field(c, "string", "A further column of runs.csv.") for c in columns]
    return {"fields": fields, "primaryKey": ["run"], "missingValues": [""]}


def readings_schema(columns: list[str]) -> dict[str, Any]:
    """Describe ``tables/readings.csv``."""
    known = {
        "row": _field(
            "row", "integer", "Row in the file as it was typed, the heading counted as 1."
        ),
        "run": _field("run", "string", "The print that was read.", required=True),
        "specimen": _field("specimen", "string", "The piece that was read."),
        "quantity": _field("quantity", "string", "What the instrument read.", required=True),
        "response": _field("response", "string", "The response that the reading is for."),
        "part": _field(
            "part", "string", "Its part in the formula of that response, such as force or width."
        ),
        "value": _field("value", "number", "The reading, in the unit beside it.", required=True),
        "unit": _field("unit", "string", "Unit of the value."),
        "repeat": _field("repeat", "integer", "Number of the repeat reading.", minimum=1),
        "operator": _field("operator", "string", "Who read it."),
        "instrument": _field("instrument", "string", "What it was read with."),
        "excluded": _field("excluded", "string", "Why it was left out; empty = it was used."),
        "note": _field("note", "string", "The maker's remark."),
    }
    return {
        "fields": [
            known.get(c) or _field(c, "string", "A further column of readings.csv.")
            for c in columns
        ],
        "primaryKey": ["run", "specimen", "quantity", "operator", "instrument", "repeat"],
        "foreignKeys": [_to_runs()],
        "missingValues": [""],
    }


def results_schema() -> dict[str, Any]:
    """Describe ``tables/results.csv``: one row a print and response."""
    fields = [
        _field("run", "string", "The print.", required=True),
        _field("response", "string", "What was measured.", required=True),
        _field("value", "number", "Mean over the specimens of the print.", required=True),
        _field("unit", "string", "Unit of the value."),
        _field("specimens", "integer", "How many specimens.", minimum=1),
        _field("readings", "integer", "How many readings in all.", minimum=1),
    ]
    return {
        "fields": fields,
        "primaryKey": ["run", "response"],
        "foreignKeys": [_to_runs()],
        "missingValues": [""],
    }


def _to_runs() -> dict[str, Any]:
    return {"fields": ["run"], "reference": {"resource": "runs", "fields": ["run"]}}


def _factor(factor: Factor, name: str, word: str) -> Field:
    label = (
        FACTOR_KINDS[factor.kind].label if factor.kind not in ("other", "category") else factor.name
    )
    if factor.is_category:
        return _field(name, "string", f"{label}, as {word}.", enum=list(factor.levels))
    text = f"{label}, as {word}."
    if factor.low is not None and factor.high is not None and word == "planned":
        text += f" Coded -1 at {factor.low:g} and +1 at {factor.high:g}."
    return {
        **_field(name, "number", text),
        **({"unit": unit_label(factor.unit)} if factor.unit else {}),
    }


def _field(name: str, kind: str, description: str, **constraints: object) -> Field:
    field: Field = {"name": name, "type": kind, "description": description}
    if constraints:
        field["constraints"] = constraints
    return field
