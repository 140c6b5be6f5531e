"""Published mixed-model cases written as study folders, as a maker would have them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import pandas as pd

from kit.study.tables import table_text


def write_study(
    folder: Path,
    table: pd.DataFrame,
    factors: Mapping[str, Mapping[str, object]],
    *,
    block: Sequence[int] | None,
    value: Sequence[float],
    model: Mapping[str, object],
    groups: Sequence[str] = (),
    response: Mapping[str, object] | None = None,
) -> Path:
    """Write study.toml, runs.csv and readings.csv; ``table`` holds a column a factor and a group."""
    folder.mkdir(parents=True, exist_ok=True)
    lines = ['title = "A published case"', 'scope = "a check"', ""]
    for name, keys in factors.items():
        lines += [
            "[[factor]]",
            f'name = "{name}"',
            *(f"{k} = {_toml(v)}" for k, v in keys.items()),
            "",
        ]
    lines += ["[[response]]", 'name = "y"', 'from = "direct"']
    lines += [f"{k} = {_toml(v)}" for k, v in {"unit": "N", **(response or {})}.items()]
    lines += ["", "[model]", *(f"{k} = {_toml(v)}" for k, v in model.items()), ""]
    (folder / "study.toml").write_text("\n".join(lines), encoding="utf-8")
    n, unit = len(table), str((response or {}).get("unit", "N"))
    runs = pd.DataFrame(
        {
            "run": [str(i + 1) for i in range(n)],
            "block": 1 if block is None else list(block),
            **{g: table[g].astype(str).tolist() for g in groups},
            "print_order": range(1, n + 1),
            **{name: table[name].tolist() for name in factors},
            "status": "printed",
        }
    )
    readings = pd.DataFrame(
        {
            "run": runs["run"],
            "specimen": "A",
            "quantity": "y",
            "value": list(value),
            "unit": unit,
            "repeat": 1,
        }
    )
    (folder / "runs.csv").write_text(table_text(runs), encoding="utf-8")
    (folder / "readings.csv").write_text(table_text(readings), encoding="utf-8")
    return folder


def category(values: pd.Series, *, hard: bool = False) -> dict[str, object]:
    """Describe a factor with the levels it has, in order."""
    levels = sorted(set(values.astype(str)))
    return {"kind": "category", "levels": levels, **({"hard_to_change": True} if hard else {})}


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list | tuple):
        return f"[{', '.join(_toml(v) for v in value)}]"
    return f'"{value}"' if isinstance(value, str) else repr(value)
