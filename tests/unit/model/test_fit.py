"""The fitted surface: against published fits, and what it refuses or leaves out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.errors import ModelError, NotEstimableError
from kit.model.effects import effects_table, fit_summary
from kit.model.fit import fit_surface, fit_surfaces
from kit.model.least_squares import fit_least_squares
from kit.model.surface import Surface
from kit.study.data import StudyData
from kit.study.description import Factor, Study
from kit.terms import expand_terms, model_matrix
from tests.reference.cases import load_case
from tests.unit.model.builders import (
    coded_factors,
    composite,
    make_measured,
    make_runs,
    make_study,
    natural_coefficients,
    surface_of,
)

SQUARES_LAST = ["intercept", "x1", "x2", "x1^2", "x2^2", "x1:x2"]
"""The order of terms in the published second-order cases."""


def in_order(surface: Surface, names: list[str]) -> pd.DataFrame:
    return effects_table(surface).set_index("term").loc[names]


# Published fits


@pytest.mark.parametrize(
    ("name", "response", "ids"),
    [
        ("r01_chemical_ccd_yield", "yield", "{}"),
        ("r02_yield_ridge_ccd", "y", "{}"),
        ("r03_cvd_cci", "uniformity", "uniformity {}"),
        ("r03_cvd_cci", "stress", "stress {}"),
    ],
)
def test_published_second_order_surfaces(name: str, response: str, ids: str) -> None:
    case = load_case(name)
    table = case.table()
    if name.startswith("r03"):  # the case codes the natural settings; its file rounds to 0.71
        table = table.assign(x1=(table["pressure"] - 42) / 38, x2=(table["ratio"] - 6) / 4)
    surface = surface_of(table, coded_factors(), response)
    found = in_order(surface, SQUARES_LAST)
    case.check(ids.format("coefficients"), found["estimate"])
    case.check(ids.format("se_coefficients"), found["std_error"])
    case.check(ids.format("residual_mean_square"), surface.residual_variance)
    case.check(ids.format("residual_df"), surface.residual_df)
    case.check(ids.format("r_squared"), surface.r2)
    case.check(ids.format("r_squared_predicted"), surface.r2_predicted)
    press = np.sum((surface.observations["value"] - surface.observations["left_out"]) ** 2)
    case.check(ids.format("press"), press)
    assert fit_summary(surface)["left_out_miss"][0] == pytest.approx(np.sqrt(press / len(table)))


def test_published_blocks_are_sum_to_zero() -> None:
    case = load_case("r02_yield_ridge_ccd")
    surface = surface_of(case.table(), coded_factors(), block="block")
    found = in_order(surface, [*SQUARES_LAST, "block=2"])
    # Two sum-to-zero blocks are the case's -1 / +1 coding.
    case.check("blocked_fit_coefficients", found["estimate"])
    case.check("blocked_fit_residual_ms", surface.residual_variance)
    case.check("blocked_fit_residual_df", surface.residual_df)


@pytest.mark.parametrize("response", ["uniformity", "stress"])
def test_published_reduced_models(response: str) -> None:
    case = load_case("r03_cvd_cci")
    third, names = {
        "uniformity": ("x1:x2", "1,x1,x2,x1*x2"),
        "stress": ("x1^2", "1,x1,x2,x1^2"),
    }[response]
    table = case.table()
    rounded = surface_of(table, coded_factors(), response, terms=["x1", "x2", third])
    case.check(
        f"{response} reduced_coefficients with coded columns as in file (0.71)",
        rounded.coefficients,
    )
    factors = {"pressure": (4.0, 80.0), "ratio": (2.0, 10.0)}
    wanted = third.replace("x1", "pressure").replace("x2", "ratio")
    exact = surface_of(table, factors, response, terms=["pressure", "ratio", wanted])
    case.check(f"{response} reduced_coefficients {names}", exact.coefficients)
    case.check(f"{response} reduced_rmse", np.sqrt(exact.residual_variance))
    case.check(f"{response} reduced_r_squared", exact.r2)


def test_published_two_level_factorial_with_spare_runs() -> None:
    case = load_case("f01_ceramic_2_5")
    names = ["speed", "rate", "grit", "direction", "batch"]
    surface = surface_of(case.table(), dict.fromkeys(names, (-1.0, 1.0)), terms="interactions")
    found = effects_table(surface)
    case.check("two_factor_model_coefficients", found["estimate"])
    case.check("two_factor_model_t", found["estimate"] / found["std_error"])
    case.check("two_factor_model_rmse", np.sqrt(surface.residual_variance))
    case.check("two_factor_model_residual_df", surface.residual_df)
    case.check("two_factor_model_r_squared", surface.r2)


@pytest.mark.parametrize(
    ("name", "factors", "alone"),
    [
        ("f01_ceramic_2_5", ["speed", "rate", "grit", "direction", "batch"], True),
        ("f02_eddy_current_2_3", ["x1", "x2", "x3"], True),
        ("f03_process_2_4", ["x1", "x2", "x3", "x4"], True),
        ("f05_filtration_2_7_4", [f"x{i}" for i in range(1, 8)], False),
    ],
)
def test_published_effects_of_saturated_factorials(
    name: str, factors: list[str], alone: bool
) -> None:
    # An effect is the change from low to high, twice the coefficient. No run is spare, so the plain
    # least squares give them; a surface would be refused.
    case = load_case(name)
    table, coding = case.table(), make_study(dict.fromkeys(factors, (-1.0, 1.0))).coding
    wanted = [i.removeprefix("effect ") for i in case.expected if i.startswith("effect ")]
    terms = expand_terms(coding, wanted)
    fit = fit_least_squares(
        model_matrix(coding, terms, table[factors].to_numpy()), table["y"].to_numpy()
    )
    assert fit.df == 0
    case.check("grand_mean", fit.coefficients[0])
    for term, coefficient in zip(terms[1:], fit.coefficients[1:], strict=True):
        case.check(f"effect {term.name}", 2 * coefficient)
    if alone:
        assert len(terms) == len(table)


@pytest.mark.parametrize("scale", ["20_runs", "sqrt_y"])
def test_published_half_fraction_with_centre_runs(scale: str) -> None:
    case = load_case("f04_catapult_2_5_1")
    table = case.table()
    if scale == "sqrt_y":
        table["y"] = np.sqrt(table["y"])
    surface = surface_of(table, coded_factors(5), terms="interactions")
    case.check(f"ols_coefficients_{scale}", surface.coefficients)
    case.check(f"ols_rmse_{scale}", np.sqrt(surface.residual_variance))


@pytest.mark.parametrize(
    ("name", "coefficients"),
    [("l01_norris", "coefficients B0.."), ("l03_longley", "coefficients B0..B6")],
)
def test_certified_straight_lines_through_coding_and_back(name: str, coefficients: str) -> None:
    case = load_case(name)
    table = case.table()
    factors = {c: (float(table[c].min()), float(table[c].max())) for c in table if c != "y"}
    surface = surface_of(table, factors, terms="main")
    found = natural_coefficients(surface)
    case.check(coefficients, [estimate for estimate, _ in found.values()])
    case.check("standard_errors", [error for _, error in found.values()])
    case.check("residual_sd", np.sqrt(surface.residual_variance))
    case.check("r_squared", surface.r2)


@pytest.mark.parametrize("name", ["l02_wampler4", "l04_wampler5"])
def test_certified_polynomials_as_coded_powers(name: str) -> None:
    case = load_case(name)
    powers = [f"x^{p}" for p in range(2, 6)]
    surface = surface_of(case.table(), {"x": (0.0, 20.0)}, terms=["x", *powers])
    case.check("residual_sd", np.sqrt(surface.residual_variance))
    case.check("r_squared", surface.r2)
    # The certified polynomial is 1 + x + ... + x^5; its scatter hardly hides it where x is large.
    x = np.array([0.0, 10.0, 20.0])
    true = np.polynomial.polynomial.polyval(x, np.ones(6))
    found = surface.mean(surface.code({"x": x}))
    np.testing.assert_allclose(
        found, true, rtol=1e-9, atol=1e-12 * np.sqrt(surface.residual_variance)
    )


@pytest.mark.parametrize("name", ["s01_steepest_ascent_yield", "s02_steepest_ascent_handbook"])
def test_published_first_order_fits(name: str) -> None:
    case = load_case(name)
    surface = surface_of(case.table(), coded_factors(), terms="main")
    case.check("first_order_coefficients", surface.coefficients)
    if "residual_ms" in case.expected:
        case.check("residual_ms", surface.residual_variance)


def test_open_prints_bond_and_porosity(open_prints: Path) -> None:
    # Kapusuzoglu & Mahadevan 2020, 39 prints; expected numbers printed to 6 decimals.
    table = pd.read_csv(open_prints / "bond_porosity_temp_speed.csv")
    expected = {
        "bond_length_ratio": (
            [0.809929, 0.109244, -0.128122, 0.107473, -0.046522, -0.062384],
            [0.009320, 0.008436, 0.007311, 0.014959, 0.011608, 0.007541],
            (0.922092, 0.89777, 0.031427),
        ),
        "porosity": (
            [0.014831, -0.018668, 0.022637, -0.019579, 0.007796, 0.011805],
            [0.001764, 0.001597, 0.001384, 0.002832, 0.002197, 0.001428],
            (0.911504, 0.87948, 0.005949),
        ),
    }
    factors = {"nozzle_temp_c": (220.0, 260.0), "speed_mm_s": (20.0, 40.0)}
    for response, (estimates, errors, (r2, r2_predicted, s)) in expected.items():
        surface = surface_of(table, factors, response)
        found = effects_table(surface)
        np.testing.assert_allclose(found["estimate"], estimates, atol=1.01e-6)
        np.testing.assert_allclose(found["std_error"], errors, atol=1.01e-6)
        assert surface.residual_df == 33
        assert surface.r2 == pytest.approx(r2, abs=1.01e-6)
        assert surface.r2_predicted == pytest.approx(r2_predicted, abs=1.01e-5)
        assert np.sqrt(surface.residual_variance) == pytest.approx(s, abs=1.01e-6)


# What enters


def quadratic(table: pd.DataFrame, rng: np.random.Generator) -> list[float]:
    y = 30 + 4 * table["x1"] - 3 * table["x2"] - 2 * table["x1"] ** 2 + rng.normal(size=len(table))
    return y.tolist()


def test_production_fit_equals_plain_least_squares(rng: np.random.Generator) -> None:
    table = composite().assign(block=[1] * 6 + [2] * 6)
    surface = surface_of(table.assign(y=quadratic(table, rng)), coded_factors(), block="block")
    plain = fit_least_squares(surface.design, surface.observations["value"].to_numpy())
    np.testing.assert_allclose(surface.coefficients, plain.coefficients, rtol=1e-11)
    np.testing.assert_allclose(np.diag(surface.covariance), plain.std_errors**2, rtol=1e-11)
    np.testing.assert_allclose(surface.observations["studentised"], plain.studentised, rtol=1e-8)
    np.testing.assert_allclose(surface.observations["leverage"], plain.leverage, rtol=1e-10)
    assert surface.residual_variance == pytest.approx(float(plain.variance), rel=1e-11)


def test_actual_settings_are_fitted() -> None:
    study = make_study({"nozzle": (190.0, 230.0)}, terms="main")
    actual = [190.0, 200.0, 210.0, 230.0]
    runs = make_runs({"nozzle": [190.0, 210.0, 210.0, 230.0]}, actual={"nozzle": actual})
    y = [2 + 0.5 * t for t in actual]
    y[0] += 1e-6
    surface = fit_surface(make_measured(study, runs, y), runs, study)
    assert surface.coefficients == pytest.approx([2 + 0.5 * 210, 0.5 * 20], abs=1e-5)
    assert surface.observations["nozzle"].tolist() == actual


def test_confirmation_failed_and_unread_runs_stay_out(rng: np.random.Generator) -> None:
    table = composite()
    study, runs = make_study(coded_factors()), make_runs(table)
    y = quadratic(table, rng)
    clean = fit_surface(make_measured(study, runs, y), runs, study)
    extra = make_runs(pd.DataFrame({"x1": [5.0, 5, 5, 5], "x2": [5.0, 5, 5, 5]}))
    extra = extra.assign(
        run=["c", "f", "p", "u"],
        round=["confirmation", "surface", "surface", "surface"],
        block=[2, 3, 4, 5],
        status=["printed", "failed", "planned", "printed"],
    )
    longer = pd.concat([extra, runs], ignore_index=True)
    read = longer[longer["run"] != "u"]
    measured = make_measured(study, read, [99.0, 98, 97, *y])
    surface = fit_surface(measured, longer, study)
    np.testing.assert_array_equal(surface.coefficients, clean.coefficients)
    assert surface.observations["run"].tolist() == runs["run"].tolist()
    assert not surface.tried.contains(np.array([[5.0, 5.0]]))[0]


def test_blocks_none_ignores_them(rng: np.random.Generator) -> None:
    table = composite().assign(block=[1] * 6 + [2] * 6)
    table["y"] = quadratic(table, rng)
    assert surface_of(table, coded_factors(), block="block", blocks="none").block_names == ()
    fixed = surface_of(table, coded_factors(), block="block")
    assert fixed.block_names == ("block=2",)
    assert fixed.notes == ("The prints came in 2 blocks; predictions speak of an average block.",)
    assert surface_of(table.assign(block=7), coded_factors(), block="block").block_names == ()


def test_intercept_is_an_equal_weight_mean_over_blocks() -> None:
    x = [-1.0, 1, -1, 1, -1, 1]
    shift = {1: 0.0, 2: 3.0, 3: 9.0}
    blocks = [1, 1, 2, 2, 3, 3]
    y = [10 + 2 * xi + shift[b] for xi, b in zip(x, blocks, strict=True)]
    y[0] += 1e-7
    surface = surface_of(
        pd.DataFrame({"x1": x, "y": y, "block": blocks}),
        coded_factors(1),
        block="block",
        terms="main",
    )
    assert dict(zip(surface.names, surface.coefficients, strict=True)) == pytest.approx(
        {"intercept": 14.0, "x1": 2.0, "block=2": -1.0, "block=3": 5.0}, abs=1e-6
    )


def test_categories_are_contrasts_to_the_first_level() -> None:
    table = pd.DataFrame({"spool": ["pink", "white", "pink", "white"], "y": [5.0, 1.0, 7.0, 3.0]})
    surface = surface_of(table, {"spool": ("white", "pink")}, terms="main")
    assert surface.names == ("intercept", "spool=pink")
    assert surface.coefficients == pytest.approx([2.0, 4.0])


def test_print_scatter_is_split() -> None:
    table = pd.DataFrame({"x1": [-1.0, -1, 1, 1], "y": [1.0, 3, 7, 9]})  # residual mean square 2
    known = {
        "specimen_variance": 1.5,
        "specimen_df": 4,
        "repeat_variance": 0.8,
        "repeat_df": 9,
        "specimens_per_print": 3.0,
        "repeats_per_specimen": 2.0,
    }
    parts = surface_of(table, coded_factors(1), terms="main", known=known).variance
    assert (parts.print_, parts.specimen, parts.repeat) == pytest.approx((1.5, 1.1, 0.8))
    assert parts.block is None
    noisy = surface_of(
        table, coded_factors(1), terms="main", known={**known, "specimen_variance": 60.0}
    )
    assert noisy.variance.print_ == 0.0
    single = surface_of(table, coded_factors(1), terms="main").variance
    assert single.print_ == pytest.approx(2.0)
    assert (single.specimen, single.repeat) == (None, None)


def test_every_response_is_fitted(rng: np.random.Generator) -> None:
    table = composite()
    study, runs = make_study(coded_factors()), make_runs(table)
    measured = make_measured(study, runs, quadratic(table, rng))
    data = StudyData(study, runs, pd.DataFrame())
    assert list(fit_surfaces(data, {"y": measured})) == ["y"]


# What is refused


def corners(*, centre: int = 0) -> pd.DataFrame:
    table = pd.DataFrame([(a, b) for a in (-1.0, 1) for b in (-1.0, 1)], columns=["x1", "x2"])
    return pd.concat([table, pd.DataFrame(0.0, index=range(centre), columns=table.columns)])


def test_main_effects_that_move_together_are_all_named() -> None:
    x = [-1.0, -1, 1, 1, 0]
    table = pd.DataFrame({"x1": x, "x2": x, "x3": [-1.0, 1, -1, 1, 0], "y": [1.0, 2, 3, 4, 6]})
    with pytest.raises(NotEstimableError, match="x1 and x2 changed together") as caught:
        surface_of(table, coded_factors(3), terms="main")
    assert caught.value.terms == ("x1", "x2")


def test_two_separate_tangles_are_both_told() -> None:
    a, b = np.array([-1.0, -1, 1, 1, 0, 0, 1]), np.array([-1.0, 1, -1, 1, 0, 0, 1])
    table = pd.DataFrame({"x1": a, "x2": b, "x3": -a, "x4": 2 * b, "y": np.arange(7.0)})
    with pytest.raises(NotEstimableError) as caught:
        surface_of(table, coded_factors(4), terms="main")
    assert caught.value.terms == ("x1", "x2", "x3", "x4")
    assert "x1 and x3 changed together" in caught.value.text
    assert "x2 and x4 changed together" in caught.value.text


def test_a_setting_changed_only_with_the_block() -> None:
    table = pd.DataFrame(
        {"x1": [-1.0, 1, -1, 1, -1, 1], "x2": [-1.0, -1, 1, 1, 1, 1], "y": np.arange(6.0) ** 2}
    ).assign(block=[1, 1, 2, 2, 2, 2])
    with pytest.raises(NotEstimableError, match="x2 changed only from block to block") as caught:
        surface_of(table, coded_factors(), terms="main", block="block")
    assert caught.value.terms == ("x2",)
    assert (
        surface_of(table, coded_factors(), terms="main", block="block", blocks="none").residual_df
        == 3
    )


def test_a_factor_that_stood_still_and_levels_never_printed() -> None:
    table = pd.DataFrame(
        {"nozzle": 215.0, "spool": ["pink", "white", "pink", "white"], "y": [1.0, 2, 3, 5]}
    )
    with pytest.raises(NotEstimableError) as caught:
        surface_of(
            table,
            {"nozzle": (190.0, 230.0), "spool": ("white", "pink", "grey")},
            terms="main",
            units={"nozzle": "degC"},
        )
    assert caught.value.terms == ("nozzle", "spool=grey")
    assert "nozzle was 215 °C in every printed run" in caught.value.text
    assert "spool grey was never printed" in caught.value.text


def test_a_reference_level_never_printed_names_all_contrasts() -> None:
    table = pd.DataFrame({"spool": ["pink", "grey", "pink", "grey"], "y": [1.0, 2, 3, 5]})
    with pytest.raises(NotEstimableError) as caught:
        surface_of(table, {"spool": ("white", "pink", "grey")}, terms="main")
    assert caught.value.terms == ("spool=pink", "spool=grey")


def test_fewer_runs_than_straight_effects() -> None:
    table = pd.DataFrame(np.eye(3), columns=["x1", "x2", "x3"]).assign(y=[1.0, 2, 4])
    with pytest.raises(NotEstimableError, match=r"3 printed runs .* at least 4 runs are needed"):
        surface_of(table, coded_factors(3), terms="main")


def test_no_spare_run_is_refused_with_arithmetic() -> None:
    with pytest.raises(ModelError, match=r"4 runs, 4 terms: no spare run .* drop x1:x2") as caught:
        surface_of(corners().assign(y=[1.0, 2, 3, 5]), coded_factors())
    assert not isinstance(caught.value, NotEstimableError)


def test_no_results_and_constant_results_are_refused() -> None:
    study, runs = make_study(coded_factors()), make_runs(corners())
    with pytest.raises(ModelError, match="no printed run has a result yet"):
        fit_surface(make_measured(study, runs.iloc[:0], []), runs, study)
    with pytest.raises(ModelError, match="all 12 prints gave the same value, 20"):
        surface_of(composite().assign(y=20.0), coded_factors())


def hard_study() -> Study:
    factors = (
        Factor(name="x1", low=-1, high=1, hard_to_change=True),
        Factor(name="x2", low=-1, high=1),
    )
    return Study(title="t", factor=factors, response=make_study(coded_factors()).responses)


def test_hard_settings_changed_inside_a_block_are_refused() -> None:
    study, runs = hard_study(), make_runs(composite(), block=[1, 1, 2, 2, 3, 4, 1, 2, 3, 4, 3, 4])
    measured = make_measured(study, runs, np.arange(12.0).tolist())
    with pytest.raises(ModelError, match="x1 is hard to change, but block 1, 2 and 3"):
        fit_surface(measured, runs, study)
    with pytest.raises(ModelError, match="x1 is hard to change, but block 1 of"):
        fit_surface(measured, runs.assign(block=1), study)


def test_whole_plots_that_are_never_repeated_are_refused() -> None:
    study = hard_study()
    table = composite().sort_values("x1", kind="stable", ignore_index=True)
    runs = make_runs(table, block=pd.factorize(table["x1"])[0] + 1)
    measured = make_measured(study, runs, np.arange(12.0).tolist())
    with pytest.raises(ModelError, match="every block has a setting of its own"):
        fit_surface(measured, runs, study)


def test_prints_that_were_each_set_anew_count_as_independent() -> None:
    study, runs = hard_study(), make_runs(composite(), block=range(1, 13))
    y = [3.0, 1, 4, 1, 5, 9, 2, 6, 5, 3, 5, 8]
    surface = fit_surface(make_measured(study, runs, y), runs, study)
    plain = surface_of(composite().assign(y=y), coded_factors())
    assert surface.mixed is None
    assert "prints count as independent" in " ".join(surface.notes)
    np.testing.assert_allclose(surface.covariance, plain.covariance)


def test_one_random_block_is_no_block() -> None:
    study = make_study(coded_factors(), blocks="random")
    runs = make_runs(composite())
    surface = fit_surface(make_measured(study, runs, np.arange(12.0).tolist()), runs, study)
    assert surface.block_names == ()
    assert surface.mixed is None


# What is left out, and said


def test_squares_that_only_a_centre_shows_are_left_out() -> None:
    table = corners(centre=3).assign(y=[1.0, 2, 3, 5, 7, 7.5, 8])
    surface = surface_of(table, coded_factors())
    assert [t.name for t in surface.terms] == ["intercept", "x1", "x2", "x1:x2", "x1^2"]
    assert surface.not_estimable == ("x2^2",)
    assert surface.alias_notes == ("x2^2 is mixed up with x1^2.",)


def test_squares_without_a_middle_setting_say_the_remedy() -> None:
    table = pd.concat([corners(), corners()]).assign(y=np.arange(8.0) ** 1.5)
    surface = surface_of(table, coded_factors())
    assert surface.not_estimable == ("x1^2", "x2^2")
    assert surface.alias_notes[0] == (
        "x1^2 is the same in every run: print x1 at three settings to see its bend."
    )


def test_fraction_names_the_main_effect_an_interaction_is_mixed_with() -> None:
    a, b = np.array([-1.0, -1, 1, 1] * 2), np.array([-1.0, 1, -1, 1] * 2)
    table = pd.DataFrame({"nozzle": a, "speed": b, "fan": a * b, "y": np.arange(8.0) ** 2})
    factors = dict.fromkeys(["nozzle", "speed", "fan"], (-1.0, 1.0))
    surface = surface_of(table, factors, terms="interactions")
    assert [t.name for t in surface.terms] == ["intercept", "nozzle", "speed", "fan"]
    assert surface.alias_notes == (
        "nozzle:speed is mixed up with fan.",
        "nozzle:fan is mixed up with speed.",
        "speed:fan is mixed up with nozzle.",
    )


def test_an_interaction_that_is_the_block_difference() -> None:
    table = pd.concat([corners(), corners(centre=2)]).assign(y=np.arange(10.0) ** 1.3)
    table["block"] = [1 if p > 0 else 2 for p in table["x1"] * table["x2"]]
    table.iloc[8:, table.columns.get_loc("block")] = [1, 2]
    table = table.iloc[:8]
    surface = surface_of(table, coded_factors(), terms="interactions", block="block")
    assert surface.alias_notes == ("x1:x2 is mixed up with the difference between blocks.",)


def test_few_spare_runs_and_lonely_runs_are_noted() -> None:
    table = pd.DataFrame({"x1": [-1.0, -1, -1, 1], "y": [1.0, 2, 4, 9]})
    surface = surface_of(table, coded_factors(1), terms="main")
    assert surface.notes[0].startswith("Only 2 spare runs (4 runs, 2 numbers fitted)")
    assert surface.notes[1].startswith("Run 4 alone decides")
    assert np.isnan(surface.r2_predicted)


def test_terms_hardly_told_apart_are_noted(rng: np.random.Generator) -> None:
    x = np.tile([-1.0, 0, 1], 4)
    table = pd.DataFrame({"x1": x, "x2": x + 0.01 * rng.normal(size=12), "y": rng.normal(size=12)})
    surface = surface_of(table, coded_factors(), terms="main")
    assert surface.notes[0].startswith("x1 and x2 are hardly told apart")


# What must not matter


@settings(max_examples=25, deadline=None)
@given(st.permutations(range(12)))
def test_order_of_rows_changes_no_fit(order: list[int]) -> None:
    table = composite().assign(block=[1, 2] * 6)
    table["y"] = quadratic(table, np.random.default_rng(5))
    study = make_study(coded_factors())
    runs = make_runs(table[["x1", "x2"]], block=table["block"].tolist())
    measured = make_measured(study, runs, table["y"].tolist())
    straight, mixed = (
        fit_surface(measured, runs, study),
        fit_surface(measured, runs.iloc[order], study),
    )
    np.testing.assert_allclose(mixed.coefficients, straight.coefficients, rtol=1e-10, atol=1e-12)
    np.testing.assert_allclose(mixed.covariance, straight.covariance, rtol=1e-9, atol=1e-14)
    assert mixed.lack_of_fit is not None
    assert straight.lack_of_fit is not None
    assert pytest.approx(straight.lack_of_fit.F) == mixed.lack_of_fit.F
    assert mixed.observations["run"].tolist() == [runs["run"][i] for i in order]


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), factor=st.sampled_from([1e-3, 1000.0]))
def test_units_of_the_response_only_scale(seed: int, factor: float) -> None:
    table = composite()
    table["y"] = quadratic(table, np.random.default_rng(seed))
    one = surface_of(table, coded_factors())
    other = surface_of(table.assign(y=factor * table["y"]), coded_factors())
    np.testing.assert_allclose(
        other.coefficients, factor * one.coefficients, rtol=1e-9, atol=1e-9 * factor
    )
    np.testing.assert_allclose(
        other.residual_variance, factor**2 * one.residual_variance, rtol=1e-9
    )
    assert other.r2 == pytest.approx(one.r2)
    assert other.lack_of_fit is not None
    assert one.lack_of_fit is not None
    assert other.lack_of_fit.p == pytest.approx(one.lack_of_fit.p)


@settings(max_examples=25, deadline=None)
@given(
    low=st.floats(-500, 500),
    width=st.floats(0.1, 500),
    x=st.lists(st.floats(-1000, 1000), min_size=1, max_size=5),
)
def test_decoding_undoes_coding(low: float, width: float, x: list[float]) -> None:
    coding = make_study({"f": (low, low + width)}).coding
    back = coding.decode(coding.code({"f": x}))["f"]
    np.testing.assert_allclose(back, x, rtol=1e-9, atol=1e-9 * (abs(low) + width))
