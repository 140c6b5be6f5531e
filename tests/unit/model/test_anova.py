"""F tests of terms against certified variance sets and published tables."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.model.anova import anova_terms, compare_nested
from tests.reference.cases import load_case
from tests.unit.model.builders import coded_factors, composite, surface_of


def by_group(name: str) -> pd.Series:
    table = load_case(name).table().astype({"group": str})
    factors = {"group": tuple(sorted(table["group"].unique()))}
    surface = surface_of(table, factors, terms="main")
    row = anova_terms(surface).iloc[0]
    within = surface.residual_variance * surface.residual_df
    return pd.concat([row, pd.Series({"within": within, "r2": surface.r2})])


@pytest.mark.parametrize("name", ["a01_sirstv", "a02_smls01", "a04_smls05"])
def test_certified_variance_sets(name: str) -> None:
    case, row = load_case(name), by_group(name)
    case.check("F", row["F"])
    case.check("r_squared", row["r2"])
    case.check(
        "between df,SS,MS", [row["df"], row["sum_of_squares"], row["sum_of_squares"] / row["df"]]
    )
    case.check(
        "within df,SS,MS", [row["residual_df"], row["within"], row["within"] / row["residual_df"]]
    )


def test_thirteen_constant_digits_lose_nothing_but_what_doubles_lose() -> None:
    # SmLs07: near 1e12 doubles are 1.2e-4 apart while the data differ by 0.1, so that reading the
    # file alone costs all but 4 digits of F (exact: 21). Against exact arithmetic on the doubles as
    # they were read nothing more may be lost.
    row = by_group("a03_smls07")
    table = load_case("a03_smls07").table()
    exact = exact_f(table)
    assert row["F"] == pytest.approx(float(exact), rel=1e-10)
    load_case("a03_smls07").check("F", row["F"], rtol=1e-4)
    load_case("a03_smls07").check("r_squared", row["r2"], rtol=1e-4)


def exact_f(table: pd.DataFrame) -> Fraction:
    """Give the one-way F by rational arithmetic on the doubles themselves."""
    groups = [[Fraction(v) for v in g] for _, g in table.groupby("group")["y"]]
    means = [sum(g, Fraction(0)) / len(g) for g in groups]
    grand = sum((sum(g, Fraction(0)) for g in groups), Fraction(0)) / len(table)
    between = sum(len(g) * (m - grand) ** 2 for g, m in zip(groups, means, strict=True))
    within = sum((v - m) ** 2 for g, m in zip(groups, means, strict=True) for v in g)
    return (between / (len(groups) - 1)) / (within / (len(table) - len(groups)))


@pytest.mark.parametrize(("scale", "ids"), [(1, "anova_ss y"), (-1, "anova_ss 1/y")])
def test_two_categories_and_their_interaction(scale: int, ids: str) -> None:
    case = load_case("b01_boxcox_poison")
    table = case.table().astype({"poison": str, "treatment": str})
    table["y"] = table["y"] ** scale
    factors = {"poison": ("1", "2", "3"), "treatment": ("1", "2", "3", "4")}
    surface = surface_of(table, factors, terms="interactions")
    found = anova_terms(surface)
    error = surface.residual_variance * surface.residual_df
    assert found["df"].tolist() == [2, 3, 6]
    case.check(f"{ids} poison,treatment,interaction,error", [*found["sum_of_squares"], error])


def test_open_prints_compression(open_prints: Path) -> None:
    table = pd.read_csv(open_prints / "compression_material_layer.csv", dtype={"layer_mm": str})
    factors = {"material": ("abs", "pla"), "layer_mm": ("0.15", "0.25", "0.35")}
    surface = surface_of(table, factors, "max_strength_mpa", terms="interactions")
    found = anova_terms(surface)
    assert found["term"].tolist() == ["material", "layer_mm", "material:layer_mm"]
    np.testing.assert_allclose(
        found["sum_of_squares"], [6256.27443, 15.30222, 42.11802], atol=1.1e-5
    )
    np.testing.assert_allclose(found["F"], [2070.107, 2.53164, 6.96811], rtol=1e-6, atol=1.1e-5)
    np.testing.assert_allclose(found["p"][1:], [0.10055, 0.00411], atol=1.1e-5)
    assert surface.residual_df == 24
    assert surface.r2 == pytest.approx(0.988642, abs=1e-6)


def test_open_prints_bond_type_two(open_prints: Path) -> None:
    table = pd.read_csv(open_prints / "bond_porosity_temp_speed.csv")
    factors = {"nozzle_temp_c": (220.0, 260.0), "speed_mm_s": (20.0, 40.0)}
    for response, F in (
        ("bond_length_ratio", [177.261, 255.635, 51.618, 16.063, 68.439]),
        ("porosity", [144.942, 219.745, 47.800, 12.587, 68.381]),
    ):
        found = anova_terms(surface_of(table, factors, response))
        np.testing.assert_allclose(found["F"], F, atol=1.01e-3)


def test_one_term_is_the_square_of_its_t(rng: np.random.Generator) -> None:
    table = composite().assign(y=rng.normal(size=12))
    surface = surface_of(table, coded_factors())
    place = surface.names.index("x1:x2")
    t = surface.coefficients[place] / np.sqrt(surface.covariance[place, place])
    found = compare_nested(surface, ["x1:x2"])
    assert pytest.approx(t**2) == found.F
    assert (found.df, found.residual_df) == (1, 6)


def test_unknown_terms_are_refused(rng: np.random.Generator) -> None:
    surface = surface_of(composite().assign(y=rng.normal(size=12)), coded_factors())
    with pytest.raises(KeyError, match="x3"):
        compare_nested(surface, ["x3"])
