"""Lack of fit against published surfaces, blocked and not, and its edges."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.model.fit import fit_surface
from tests.reference.cases import load_case
from tests.unit.model.builders import (
    coded_factors,
    make_measured,
    make_runs,
    make_study,
    surface_of,
)


@pytest.mark.parametrize(
    ("name", "response", "ids"),
    [
        ("r01_chemical_ccd_yield", "yield", "lof_{}"),
        ("r02_yield_ridge_ccd", "y", "unblocked_lof_{}"),
        ("r03_cvd_cci", "uniformity", "uniformity lof_{}"),
        ("r03_cvd_cci", "stress", "stress lof_{}"),
    ],
)
def test_published_surfaces(name: str, response: str, ids: str) -> None:
    case = load_case(name)
    table = case.table()
    if name.startswith("r03"):
        table = with_exact_inscribed_points(table)
    found = surface_of(table, coded_factors(), response).lack_of_fit
    assert found is not None
    case.check(ids.format("F"), found.F)
    case.check(ids.format("p"), found.p)
    case.check(ids.format("df_lof"), found.df[0])
    case.check(ids.format("df_pe"), found.df[1])
    case.check(ids.format("ss_lof"), found.lack_ms * found.df[0])
    case.check(ids.format("ss_pe"), found.pure_ms * found.df[1])


def with_exact_inscribed_points(table: pd.DataFrame) -> pd.DataFrame:
    """Code the natural settings: the case's full models use them, its file rounds the corners to 0.71."""
    return table.assign(x1=(table["pressure"] - 42) / 38, x2=(table["ratio"] - 6) / 4)


def test_blocks_are_in_model_and_cells() -> None:
    # This entry of the case was computed with axial points at the square root of 2; the file rounds
    # them to 1.414 (which gives SS 10.7112 instead of 10.7128).
    case = load_case("r02_yield_ridge_ccd")
    table = case.table().replace({1.414: np.sqrt(2), -1.414: -np.sqrt(2)})
    found = surface_of(table, coded_factors(), "y", block="block").lack_of_fit
    assert found is not None
    pure, lack = found.pure_ms * found.df[1], found.lack_ms * found.df[0]
    case.check(
        "blocked_lof: ss_pe, df_pe, ss_lof, df_lof, F, p (fixed blocks in model and cells)",
        [pure, found.df[1], lack, found.df[0], found.F, found.p],
    )


@pytest.mark.parametrize("name", ["s01_steepest_ascent_yield", "s02_steepest_ascent_handbook"])
def test_first_order_with_centre_points(name: str) -> None:
    case = load_case(name)
    found = surface_of(case.table(), coded_factors(), "y", terms="main").lack_of_fit
    assert found is not None
    case.check("lof_F", found.F)
    case.check("lof_p", found.p)
    assert found.df[0] == 2


def test_open_prints(open_prints: Path) -> None:
    # bond and porosity, 39 prints (see the data's own notes); printed to 4 decimals.
    table = pd.read_csv(open_prints / "bond_porosity_temp_speed.csv")
    factors = {"nozzle_temp_c": (220.0, 260.0), "speed_mm_s": (20.0, 40.0)}
    for response, terms, F, df in (
        ("bond_length_ratio", "second_order", 4.3144, (14, 19)),
        ("bond_length_ratio", "main", 15.7373, (17, 19)),
        ("bond_length_ratio", "interactions", 14.3473, (16, 19)),
        ("porosity", "second_order", 1.1301, (14, 19)),
        ("porosity", "main", 6.1788, (17, 19)),
        ("porosity", "interactions", 5.5496, (16, 19)),
    ):
        found = surface_of(table, factors, response, terms=terms).lack_of_fit
        assert found is not None
        assert pytest.approx(F, abs=1.01e-4) == found.F
        assert found.df == df


def test_cells_are_those_of_the_plan() -> None:
    # Repeats that strayed by a degree are still repeats of one planned setting.
    study = make_study({"nozzle": (190.0, 230.0)}, terms="main")
    planned = [190.0, 190.0, 210.0, 210.0, 230.0, 230.0]
    strayed = [189.0, 191.0, 209.0, 210.0, 230.0, 231.0]
    runs = make_runs({"nozzle": planned}, actual={"nozzle": strayed})
    surface = fit_surface(make_measured(study, runs, [1.0, 2, 7, 8, 3, 4]), runs, study)
    assert surface.lack_of_fit is not None
    assert surface.lack_of_fit.df == (1.0, 3.0)
    assert surface.lack_of_fit.pure_ms == pytest.approx(0.5)
    assert surface.observations["cell"].tolist() == [0, 0, 1, 1, 2, 2]


def test_null_without_repeats_or_spare_cells() -> None:
    table = pd.DataFrame({"x1": [-1.0, 0, 1, 0.5], "y": [1.0, 2, 4, 3]})
    assert surface_of(table, coded_factors(1), terms="main").lack_of_fit is None
    repeated = pd.DataFrame({"x1": [-1.0, -1, 1, 1], "y": [1.0, 2, 4, 3]})
    assert surface_of(repeated, coded_factors(1), terms="main").lack_of_fit is None


def test_null_when_repeats_agree_to_the_last_digit() -> None:
    table = pd.DataFrame({"x1": [-1.0, -1, 0, 0, 1, 1], "y": [1.0, 1, 5, 5, 2, 2]})
    assert surface_of(table, coded_factors(1), terms="main").lack_of_fit is None
