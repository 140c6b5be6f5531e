"""Model matrices, groups and tests of the published mixed-model cases."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.reference.cases import Case, load_case

STEEL, PULP, PENICILLIN, BEETS = (
    "sp01_steel_bars",
    "sp03_pulp_split_plot",
    "sp04_penicillin_blocks",
    "sp05_beets",
)


@dataclass(frozen=True)
class MixedCase:
    """A model of a published case, its columns in the order of the source's terms."""

    case: Case
    tag: str
    y: np.ndarray
    X: np.ndarray
    groups: list[np.ndarray]
    terms: list[list[int]]
    levels: dict[str, list[int]]  # category of equal-weight level means: its columns

    def check(self, id: str, found: object) -> None:
        self.case.check(f"{self.tag}: {id}", found)

    def rows(self, columns: list[int]) -> np.ndarray:
        return np.eye(self.X.shape[1])[columns]


def sum_to_zero(column: pd.Series) -> np.ndarray:
    number = pd.factorize(column, sort=True)[0]
    q = number.max() + 1
    return np.vstack([np.eye(q - 1), -np.ones(q - 1)])[number]


def labels(*columns: pd.Series) -> np.ndarray:
    joined = pd.Series(list(zip(*columns, strict=True)))
    return pd.factorize(joined)[0]


def product_columns(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Interaction columns, the first factor's index running fastest."""
    return np.einsum("ni,nj->nji", a, b).reshape(len(a), -1)


def steel(tag: str) -> MixedCase:
    case = load_case(STEEL)
    data = case.table("data.csv" if tag == "balanced" else "data_unbalanced.csv")
    one = np.ones((len(data), 1))
    heats, coating = sum_to_zero(data["heats"]), sum_to_zero(data["coating"])
    x = (data["heats"].str[1:].astype(float).to_numpy()[:, None] - 370) / 10
    if tag == "unbalanced quantitative":
        X, terms, levels = np.hstack([one, x, x**2, coating]), [[1], [2], [3, 4, 5]], {}
    else:
        X = np.hstack([one, heats, coating, product_columns(heats, coating)])
        terms = [[1, 2], [3, 4, 5], list(range(6, 12))]
        levels = {"heats": [1, 2], "coating": [3, 4, 5]}
    y = data["resistance"].to_numpy(dtype=float)
    return MixedCase(case, tag, y, X, [labels(data["run"])], terms, levels)


def pulp(tag: str) -> MixedCase:
    case = load_case(PULP)
    data = case.table()
    if tag == "unbalanced quantitative":
        data = data.drop(index=[4, 13, 30]).reset_index(drop=True)
    one, kind = np.ones((len(data), 1)), sum_to_zero(data["pulp"])
    if tag == "unbalanced quantitative":
        z = (data["temp"].to_numpy(dtype=float)[:, None] - 237.5) / 12.5
        X, terms = np.hstack([one, kind, z, z**2, kind * z]), [[1, 2], [3], [4], [5, 6]]
        levels = {}
    else:
        temp = sum_to_zero(data["temp"])
        X = np.hstack([one, kind, temp, product_columns(kind, temp)])
        terms = [[1, 2], [3, 4, 5], list(range(6, 12))]
        levels = {"pulp": [1, 2], "tempf": [3, 4, 5]}
    groups = [labels(data["rep"], data["pulp"]), labels(data["rep"])]
    return MixedCase(case, tag, data["y"].to_numpy(dtype=float), X, groups, terms, levels)


def penicillin() -> MixedCase:
    case = load_case(PENICILLIN)
    data = case.table()
    X = np.hstack([np.ones((len(data), 1)), sum_to_zero(data["formula"])])
    y, groups = data["y"].to_numpy(dtype=float), [labels(data["batch"])]
    return MixedCase(case, "blocks", y, X, groups, [[1, 2, 3]], {"formula": [1, 2, 3]})


def beets() -> MixedCase:
    case = load_case(BEETS)
    data = case.table()
    parts = [sum_to_zero(data[name]) for name in ("block", "sow", "harvest")]
    X = np.hstack([np.ones((len(data), 1)), *parts])
    y, groups = data["sugpct"].to_numpy(dtype=float), [labels(data["block"], data["harvest"])]
    terms = [[1, 2], [3, 4, 5, 6], [7]]
    return MixedCase(case, "additive", y, X, groups, terms, {"sow": [3, 4, 5, 6], "harvest": [7]})


def all_cases() -> list[MixedCase]:
    return [
        steel("balanced"),
        steel("unbalanced"),
        steel("unbalanced quantitative"),
        pulp("balanced"),
        pulp("unbalanced quantitative"),
        penicillin(),
        beets(),
    ]


def case_id(mixed: MixedCase) -> str:
    return f"{mixed.case.name}-{mixed.tag}"
