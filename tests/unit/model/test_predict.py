"""Predictions against published ones; refusals outside the tried region."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.errors import ExtrapolationError
from kit.model.fit import fit_surface
from kit.model.predict import distribution, part_distribution, predict
from kit.model.surface import Surface
from tests.reference.cases import load_case
from tests.unit.model.builders import (
    coded_factors,
    composite,
    make_measured,
    make_runs,
    make_study,
    surface_of,
)


def demo(rng: np.random.Generator, **known: float) -> Surface:
    table = composite()
    y = 30 + 4 * table["x1"] - 3 * table["x2"] + rng.normal(size=len(table))
    return surface_of(table.assign(y=y), coded_factors(), known=known)


def test_published_limits_at_the_stationary_point() -> None:
    case = load_case("r01_chemical_ccd_yield")
    surface = surface_of(case.table(), coded_factors(), "yield")
    x1, x2 = case.value("stationary_point")
    mean = predict(surface, {"x1": x1, "x2": x2}).iloc[0]
    case.check("response_at_stationary_point", mean["estimate"])
    case.check("se_fit_at_stationary_point", mean["std_error"])
    case.check("ci95_mean_at_stationary_point", [mean["low"], mean["high"]])
    new = predict(surface, {"x1": x1, "x2": x2}, what="print").iloc[0]
    case.check("pi95_new_obs_at_stationary_point", [new["low"], new["high"]])
    assert mean["df"] == new["df"] == 7


@pytest.mark.parametrize(("x", "id"), [((0.0, 0.0), "0_0"), ((1.0, 1.0), "1_1")])
def test_published_unscaled_prediction_variance(x: tuple[float, float], id: str) -> None:
    case = load_case("r01_chemical_ccd_yield")
    surface = surface_of(case.table(), coded_factors(), "yield")
    error = predict(surface, {"x1": x[0], "x2": x[1]}, extrapolate=True)["std_error"][0]
    case.check(f"unscaled_prediction_variance_at_{id}", error**2 / surface.residual_variance)


def test_open_prints(open_prints: Path) -> None:
    # 39 prints; expected limits printed to 6 decimals.
    table = pd.read_csv(open_prints / "bond_porosity_temp_speed.csv")
    factors = {"nozzle_temp_c": (220.0, 260.0), "speed_mm_s": (20.0, 40.0)}
    asked = {"nozzle_temp_c": [250, 240, 230], "speed_mm_s": [25, 30, 35]}
    columns = ["estimate", "std_error", "low", "high"]
    expected = {
        "bond_length_ratio": (
            [
                [0.874517, 0.010053, 0.854063, 0.894970],
                [0.809929, 0.009320, 0.790967, 0.828890],
                [0.637151, 0.010141, 0.616520, 0.657782],
            ],
            [[0.807387, 0.941646], [0.743238, 0.876619], [0.569967, 0.704335]],
        ),
        "porosity": (
            [
                [0.003973, 0.001903, 0.000101, 0.007845],
                [0.014831, 0.001764, 0.011241, 0.018421],
                [0.045279, 0.001920, 0.041373, 0.049184],
            ],
            [[-0.008735, 0.016681], [0.002206, 0.027456], [0.032560, 0.057997]],
        ),
    }
    for response, (means, prints) in expected.items():
        surface = surface_of(table, factors, response)
        np.testing.assert_allclose(predict(surface, asked)[columns], means, atol=1.01e-6)
        limits = predict(surface, asked, what="print")[["low", "high"]]
        np.testing.assert_allclose(limits, prints, atol=1.01e-6)


def test_open_prints_on_a_log_scale(open_prints: Path) -> None:
    table = pd.read_csv(open_prints / "bond_porosity_temp_speed.csv")
    table["y"] = np.log(table["porosity"])
    factors = {"nozzle_temp_c": (220.0, 260.0), "speed_mm_s": (20.0, 40.0)}
    surface = surface_of(table, factors)
    row = predict(surface, {"nozzle_temp_c": 250, "speed_mm_s": 25}, what="print").iloc[0]
    found = [row["estimate"], row["low"], row["high"]]
    np.testing.assert_allclose(found, [-4.863648, -5.322020, -4.405275], atol=1.01e-6)


def test_one_part_adds_the_scatter_below_the_print(rng: np.random.Generator) -> None:
    surface = demo(rng, specimens_per_print=4.0, specimen_variance=0.6, specimen_df=36)
    mean, scale, df = part_distribution(surface, np.zeros((1, 2)))
    _, print_scale, print_df = distribution(surface, np.zeros((1, 2)), "print")
    above, below = print_scale[0] ** 2, 0.6 * 3 / 4
    assert scale[0] ** 2 == pytest.approx(above + below)
    # Welch-Satterthwaite, GUM G.4.1.
    assert df[0] == pytest.approx((above + below) ** 2 / (above**2 / 6 + below**2 / 36))
    assert mean[0] == surface.coefficients[0]
    assert print_df[0] == 6


@pytest.mark.parametrize("known", [{}, {"specimen_variance": 0.6, "specimen_df": 9}])
def test_one_specimen_a_print_is_the_closed_t(
    known: dict[str, float], rng: np.random.Generator
) -> None:
    surface = demo(rng, **known)
    x = np.array([[0.3, -0.2]])
    np.testing.assert_array_equal(part_distribution(surface, x), distribution(surface, x, "print"))
    assert part_distribution(surface, x)[2][0] == 6


def test_scalars_go_with_lists(rng: np.random.Generator) -> None:
    found = predict(demo(rng), {"x1": [0.0, 0.5], "x2": 0.25})
    assert list(found) == ["x1", "x2", "estimate", "std_error", "df", "low", "high", "tried"]
    assert found["x2"].tolist() == [0.25, 0.25]
    assert found["tried"].all()


def hot(rng: np.random.Generator) -> Surface:
    x = composite()
    nozzle, speed = 210 + 20 * x["x1"], 80 + 40 * x["x2"]
    units = {"nozzle": "degC", "speed": "mm/s"}
    study = make_study({"nozzle": (190.0, 230.0), "speed": (40.0, 120.0)}, units=units)
    rows = {"nozzle": nozzle, "speed": speed}
    keep = ~((x["x1"] == 1) & (x["x2"] == 1))  # the hot, fast corner failed
    runs = make_runs(pd.DataFrame(rows)[keep].reset_index(drop=True))
    return fit_surface(
        make_measured(study, runs, rng.normal(size=keep.sum()).tolist()), runs, study
    )


@pytest.mark.parametrize(
    ("settings", "text"),
    [
        ({"nozzle": 172, "speed": 80}, "nozzle 172 °C is below the printed range 190 to 230 °C"),
        ({"nozzle": [200, 240], "speed": [80, 80]}, "nozzle 240 °C is above the printed range"),
        (
            {"nozzle": 230, "speed": 120},
            "nozzle 230 °C and speed 120 mm/s: each was tried, but not",
        ),
    ],
)
def test_outside_the_tried_region_nothing_is_foretold(
    settings: dict[str, float], text: str, rng: np.random.Generator
) -> None:
    surface = hot(rng)
    with pytest.raises(ExtrapolationError, match=text):
        predict(surface, settings)
    found = predict(surface, settings, extrapolate=True)
    assert not found["tried"].all()
    assert found["estimate"].notna().all()


def test_a_level_that_was_not_printed_with_these_runs() -> None:
    table = pd.DataFrame({"spool": ["white", "pink", "white", "pink"], "y": [1.0, 2, 2, 4]})
    surface = surface_of(table, {"spool": ("white", "pink")}, terms="main")
    assert predict(surface, {"spool": "pink"})["estimate"][0] == pytest.approx(3.0)
    with pytest.raises(ValueError, match="unknown level 'grey'"):
        predict(surface, {"spool": "grey"})


@pytest.mark.parametrize(
    ("settings", "options", "text"),
    [
        ({"x1": 0}, {}, "settings lack x2"),
        ({"x1": [0, 0, 0], "x2": [0, 0]}, {}, "different lengths"),
        ({"x1": np.nan, "x2": 0}, {}, "x1: a setting is missing"),
        ({"x1": 0, "x2": 0}, {"confidence": 95}, "write 95 % as 0.95"),
        ({"x1": 0, "x2": 0}, {"what": "batch"}, "mean, print or part"),
    ],
)
def test_misuse_is_refused(
    settings: dict[str, float], options: dict[str, object], text: str, rng: np.random.Generator
) -> None:
    with pytest.raises(ValueError, match=text):
        predict(demo(rng), settings, **options)


@settings(max_examples=25, deadline=None)
@given(
    x=st.tuples(st.floats(-1, 1), st.floats(-1, 1)),
    levels=st.tuples(st.floats(0.5, 0.999), st.floats(0.5, 0.999)),
    what=st.sampled_from(["mean", "print", "part"]),
)
def test_more_confidence_never_narrows(
    x: tuple[float, float], levels: tuple[float, float], what: str
) -> None:
    known = {"specimens_per_print": 3.0, "specimen_variance": 0.5, "specimen_df": 24}
    surface = demo(np.random.default_rng(1), **known)
    less, more = (
        predict(surface, {"x1": x[0], "x2": x[1]}, what=what, confidence=c).iloc[0]
        for c in sorted(levels)
    )
    assert more["low"] <= less["low"] <= less["estimate"] <= less["high"] <= more["high"]
