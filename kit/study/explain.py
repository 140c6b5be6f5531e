"""What is wrong with one value of ``study.toml``, in the maker's words instead of the validator's."""

from __future__ import annotations

import re
from collections.abc import Iterator
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt

from kit.study.description import Section
from kit.study.nearest import echo, nearest, number

_WISHES = {
    "weights": "numbers by factor, such as { nozzle = 2, speed = 1 }",
    "seed": "a whole number, 0 or more, of at most 18 digits",
    "stated_range": "two numbers in degC, [low, high]",
    "melt_limit": "one number in mm3/s, or pairs [[degC, mm3/s], ...]",
    "levels": 'names in quotes, such as ["white", "pink"]',
    "plausible": "two numbers, [low, high]",
    "date": "a date without quotes, such as 2026-11-20",
    "authors": 'names in quotes, such as ["Kim", "Noor"]',
    "axial": '"face", "rotatable" or a number',
    "limits": 'a list in quotes, such as ["nozzle + 0.25*speed <= 250"]',
    "random": 'names of columns of runs.csv in quotes, such as ["spool", "day"]',
    "terms": '"main", "interactions", "second_order" or a list of terms in quotes',
}
_UNITS = {
    "filament_diameter": "mm",
    "density": "g/cm3",
    "nozzle_diameter": "mm",
    "layer_height": "mm",
    "line_width": "mm",
    "acceleration": "mm/s2",
    "corner_speed": "mm/s",
    "nozzle_max": "degC",
    "bed_max": "degC",
    "thermometer_offset": "degC",
    "straight_path": "mm",
    "path_per_layer": "mm",
    "min_layer_time": "s",
    "mass": "g",
    "volume": "cm3",
    "span": "mm",
    "gauge_length": "mm",
    "force_limit": "N",
    "compliance": "mm/N",
}
_NUMBER_IN_TEXT = re.compile(r"^\s*([+-]?\d+)(?:[.,](\d+))?\s*\D*$")


def section_keys(cls: type[Section]) -> dict[str, str]:
    """Give the keys as the file writes them, with the attribute each fills."""
    return {str(info.validation_alias or name): name for name, info in cls.model_fields.items()}


def explain(cls: type[Section], key: str, found: object, kind: str) -> str:
    """Say what was found, what is allowed and, where it can be guessed, what to write.

    Parameters
    ----------
    cls : type of Section
        The section.
    key : str
        As the file writes it.
    found : object
        The value.
    kind : str
        pydantic's name of the fault, such as ``float_type``.

    Returns
    -------
    str
    """
    info = cls.model_fields[section_keys(cls)[key]]
    allowed = _WISHES.get(key) or _wish(info.annotation, info.metadata, _UNITS.get(key, ""))
    hint = _advice(key, found, info.annotation, kind)
    return f"found {echo(found)}; allowed is {allowed}.{' ' + hint if hint else ''}"


def _options(annotation: object) -> tuple[object, ...]:
    """Give the alternatives of a type, None left out."""
    if get_origin(annotation) in (Union, UnionType):
        return tuple(a for a in get_args(annotation) if a is not type(None))
    return (annotation,)


def _choices(annotation: object) -> list[object]:
    return [c for o in _options(annotation) if get_origin(o) is Literal for c in get_args(o)]


def _wish(annotation: object, metadata: list[Any], unit: str) -> str:
    """Describe the allowed values in words."""
    choices = _choices(annotation)
    if choices:
        return f"one of {', '.join(map(str, choices))}"
    kind = _options(annotation)[0]
    words = {float: "a number", int: "a whole number", bool: "true or false", str: "text in quotes"}
    wish = words.get(kind, "something else") if isinstance(kind, type) else "something else"
    bounds = " and ".join(_bounds(metadata))
    return " ".join(part for part in (wish, bounds, f"({unit})" if unit else "") if part)


def _bounds(metadata: list[Any]) -> Iterator[str]:
    for mark in metadata:
        if isinstance(mark, Gt):
            yield f"above {_bound(mark.gt)}"
        elif isinstance(mark, Ge):
            yield f"at least {_bound(mark.ge)}"
        elif isinstance(mark, Lt):
            yield f"below {_bound(mark.lt)}"
        elif isinstance(mark, Le):
            yield f"at most {_bound(mark.le)}"


def _bound(value: Any) -> str:  # noqa: ANN401  (annotated_types types its bounds as protocols)
    return str(value) if isinstance(value, int) else number(float(value))


def _advice(key: str, found: object, annotation: object, kind: str) -> str:
    options = _options(annotation)
    if isinstance(found, str):
        return _advice_on_text(found, options, _choices(annotation))
    if isinstance(found, bool) or not isinstance(found, int | float):
        flat_pair = (
            isinstance(found, tuple)
            and len(found) == 2
            and all(isinstance(v, int | float) for v in found)
        )
        if key == "melt_limit" and flat_pair:
            return f"Write [{echo(found)}]."
        if key == "levels" and isinstance(found, tuple):
            return "Put every level in quotes."
        return ""
    if key == "confidence" and 1 < found < 100:
        return f"Write {found / 100:.2f} for {number(found)} %."
    if key == "density" and 500 < found < 10_000:
        return f"It looks like kg/m3; write {number(found / 1000)}."
    if str in options:
        return f'Put it in quotes: "{number(found)}".'
    if bool in options and found in (0, 1):
        return f"Write {str(bool(found)).lower()}."
    if kind == "int_type" and float(found).is_integer():
        return f"Write {int(found)}."
    return ""


def _advice_on_text(found: str, options: tuple[object, ...], choices: list[object]) -> str:
    words = [str(c) for c in choices]
    alike = nearest(found, words)
    if alike is not None:
        return f"Did you mean {alike!r}?"
    match = _NUMBER_IN_TEXT.match(found)
    if match and (float in options or int in options or any(isinstance(c, int) for c in choices)):
        digits = match[1] + (f".{match[2]}" if match[2] else "")
        return f"Write {digits}, without quotes or unit and with a decimal point."
    if bool in options and found.strip().casefold() in ("true", "false", "yes", "no"):
        return f"Write {'true' if found.strip().casefold() in ('true', 'yes') else 'false'} without quotes."
    if any(get_origin(o) is tuple for o in options) and not choices:
        return (
            f'Put it in square brackets: ["{found}"].'
            if len(found) < 40
            else "Put it in square brackets."
        )
    return ""
