"""Published check cases: one folder each, a data table and the numbers a source gives for it.

``expected.json`` names the source, where its numbers come from (certified, printed, computed with
another program, recalled) and how closely each must be met; a test asks the case, not its memory:

    case = load_case("r01_chemical_ccd_yield")
    table = case.table()
    case.check("stationary_point", found)
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Expected:
    """One number, list or word of a case, and how closely it must be met."""

    id: str
    value: Any
    rtol: float
    atol: float
    status: str
    note: str


@dataclass(frozen=True)
class Case:
    """A case: its source, its tables, and its expected values by id."""

    name: str
    source: Mapping[str, str]
    expected: Mapping[str, Expected]

    @property
    def folder(self) -> Path:
        """Where its tables lie."""
        return HERE / self.name

    def table(self, file: str = "data.csv") -> pd.DataFrame:
        """Read one of its tables."""
        return pd.read_csv(self.folder / file)

    def value(self, id: str) -> Any:
        """Give an expected value; a list of numbers as an array."""
        value = self.expected[id].value
        if isinstance(value, list) and all(isinstance(v, int | float | list) for v in value):
            return np.asarray(value, dtype=float)
        return value

    def check(self, id: str, found: Any, *, rtol: float | None = None) -> None:
        """Compare what was found with the value of that id, at the case's tolerance.

        ``rtol`` loosens it where a test says why. Words, and values without a tolerance, must be equal.
        """
        want = self.expected[id]
        place = f"{self.name}: {id} ({self.source.get('title')}, {self.source.get('locator')})"
        value = self.value(id)
        if not isinstance(value, int | float | np.ndarray) or isinstance(value, bool):
            assert found == value, place
            return
        relative = want.rtol if rtol is None else rtol
        np.testing.assert_allclose(
            np.asarray(found, dtype=float), value, rtol=relative, atol=want.atol, err_msg=place
        )


def load_case(name: str) -> Case:
    """Read a case by the name of its folder."""
    text = (HERE / name / "expected.json").read_text(encoding="utf-8")
    document = json.loads(text)
    expected = {
        v["id"]: Expected(
            v["id"],
            v["value"],
            v.get("rtol") or 0.0,
            v.get("atol") or 0.0,
            v["status"],
            v.get("note", ""),
        )
        for v in document["values"]
    }
    return Case(name, document["source"], expected)


def case_names() -> list[str]:
    """Name all cases that lie here."""
    return sorted(p.parent.name for p in HERE.glob("*/expected.json"))


def prints_folder(given: str | None, checkout: Path) -> Path | None:
    """Find the open print data: the folder given, else the usual place beside the checkout."""
    folder = Path(given) if given else checkout.parent / "shared" / "reference" / "prints"
    return folder if folder.is_dir() else None
