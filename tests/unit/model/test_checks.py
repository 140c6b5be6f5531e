"""Checks of a surface: published diagnostics, planted faults, and what each sentence says."""

from __future__ import annotations

from itertools import permutations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.model.boxcox import box_cox, profile_log_likelihood
from kit.model.checks import Check, check_surface
from kit.model.drift import runs_test
from kit.model.surface import Surface
from tests.reference.cases import load_case
from tests.unit.model.builders import coded_factors, composite, surface_of

ORDER = [
    "lack_of_fit",
    "mixed_up",
    "spare_prints",
    "replicates",
    "drift",
    "measuring_drift",
    "outliers",
    "influence",
    "spread",
    "normality",
    "scale",
    "fit",
]


def checks_of(surface: Surface) -> dict[str, Check]:
    return {check.name: check for check in check_surface(surface)}


def calm(rng: np.random.Generator, *, repeats: int = 2, **changes: object) -> pd.DataFrame:
    """Give a repeated composite in random print order, with small even scatter."""
    table = pd.concat([composite()] * repeats, ignore_index=True)
    table = table.sample(frac=1, random_state=4, ignore_index=True)
    y = 30 + 4 * table["x1"] - 3 * table["x2"] - 2 * table["x1"] ** 2
    return table.assign(y=y + 0.5 * rng.normal(size=len(table)), **changes)


def test_open_prints_diagnostics(open_prints: Path) -> None:
    # 39 prints; Shapiro-Wilk, Cook and studentised residuals as published with the data.
    table = pd.read_csv(open_prints / "bond_porosity_temp_speed.csv")
    factors = {"nozzle_temp_c": (220.0, 260.0), "speed_mm_s": (20.0, 40.0)}
    expected = {
        "bond_length_ratio": (0.7344, ("17", 2.4663), ("26", 0.15583)),
        "porosity": (0.0245, ("18", 4.0467), ("18", 0.32186)),
    }
    for response, (normal, outlier, cook) in expected.items():
        found = checks_of(surface_of(table, factors, response))
        assert found["normality"].table["p"][0] == pytest.approx(normal, abs=1e-4)
        first = found["outliers"].table.iloc[0]
        assert first["run"] == outlier[0]
        assert abs(first["studentised"]) == pytest.approx(outlier[1], abs=1e-4)
        strongest = found["influence"].table.iloc[0]
        assert strongest["run"] == cook[0]
        assert strongest["cook"] == pytest.approx(cook[1], abs=1e-5)
        highest = found["influence"].table.sort_values("leverage").iloc[-1]
        assert (highest["run"], round(highest["leverage"], 5)) == ("37", 0.47254)
    assert found["outliers"].passed is False
    # Log porosity fits well (its own Shapiro-Wilk p is 0.96): the check advises it.
    assert "the logarithm of it" in found["scale"].sentence


def test_checks_that_change_the_answer_come_first(rng: np.random.Generator) -> None:
    table = calm(rng)
    table["y"] += 3 * table["x1"] * table["x2"] ** 2 * 2
    answers = check_surface(surface_of(table, coded_factors()))
    changing = [c.changes_answer for c in answers]
    assert changing == sorted(changing, reverse=True)
    assert any(changing)
    assert sorted(c.name for c in answers) == sorted(ORDER)
    quiet = check_surface(surface_of(calm(rng), coded_factors()))
    assert [c.name for c in quiet if not c.changes_answer] == [
        n for n in ORDER if n in {c.name for c in quiet if not c.changes_answer}
    ]


def test_sentences_are_plain(rng: np.random.Generator) -> None:
    for check in check_surface(surface_of(calm(rng), coded_factors(), unit="GU")):
        assert check.sentence.endswith(".")
        assert "p =" not in check.sentence
        assert "nan" not in check.sentence


def test_a_bend_the_model_lacks_is_seen(rng: np.random.Generator) -> None:
    table = calm(rng)
    found = checks_of(surface_of(table, coded_factors(), terms="main", unit="GU"))["lack_of_fit"]
    assert found.passed is False
    assert found.changes_answer
    assert "more than chance explains" in found.sentence
    assert "GU" in found.sentence
    assert checks_of(surface_of(table, coded_factors()))["lack_of_fit"].passed
    single = composite(centre=1).assign(y=rng.normal(size=9))
    untestable = checks_of(surface_of(single, coded_factors()))["lack_of_fit"]
    assert untestable.passed is None
    assert not untestable.changes_answer


def test_planted_drift_is_measured(rng: np.random.Generator) -> None:
    table = calm(rng)
    table["y"] += np.linspace(0, 3, len(table))
    found = checks_of(surface_of(table, coded_factors(), unit="GU"))["drift"]
    assert found.passed is False
    row = found.table.iloc[0]
    assert row["low"] <= 3 <= row["high"]
    assert "something changed while you printed" in found.sentence
    quiet = checks_of(surface_of(calm(rng), coded_factors()))["drift"]
    assert quiet.passed
    assert "may well be nothing" in quiet.sentence


def test_a_stretch_of_prints_on_one_side_is_seen(rng: np.random.Generator) -> None:
    table = calm(rng, repeats=4)
    middle = slice(len(table) // 4, 3 * len(table) // 4)
    table.loc[table.index[middle], "y"] += 4
    found = checks_of(surface_of(table, coded_factors()))["drift"]
    assert found.passed is False
    assert "neighbouring prints err to the same side" in found.sentence


def test_drift_that_is_a_setting_cannot_be_seen() -> None:
    table = pd.DataFrame({"x1": np.linspace(-1, 1, 8), "y": [1.0, 3, 2, 5, 4, 6, 8, 7]})
    found = checks_of(surface_of(table, coded_factors(1), terms="main"))["drift"]
    assert found.passed is None
    assert "cannot be told from the effects" in found.sentence


@pytest.mark.parametrize(("a", "b"), [(3, 3), (2, 5), (4, 3)])
def test_runs_test_counts_all_arrangements(a: int, b: int) -> None:
    arrangements = set(permutations([True] * a + [False] * b))
    counts = [1 + sum(p[i] != p[i + 1] for i in range(a + b - 1)) for p in arrangements]
    for runs in range(2, max(counts) + 1):
        example = next(p for p, c in zip(arrangements, counts, strict=True) if c == runs)
        found, expected, chance = runs_test(np.array(example))
        assert found == runs
        assert expected == pytest.approx(np.mean(counts))
        assert chance == pytest.approx(np.mean(np.array(counts) <= runs))


def test_one_sign_alone_gives_no_verdict() -> None:
    assert np.isnan(runs_test(np.array([True, True, True]))[2])


def test_a_slip_of_the_pen_is_flagged_never_dropped(rng: np.random.Generator) -> None:
    table = calm(rng)
    table.loc[5, "y"] += 8
    surface = surface_of(table, coded_factors(), unit="GU")
    found = checks_of(surface)["outliers"]
    assert found.passed is False
    assert found.table["run"][0] == "6"
    assert "run 6 gave" in found.sentence
    assert "it counts until you exclude it" in found.sentence
    assert len(surface.observations) == len(table)


def test_shift_is_what_a_refit_without_the_run_does(rng: np.random.Generator) -> None:
    table = calm(rng, repeats=1)
    surface = surface_of(table, coded_factors())
    rest = surface_of(table.drop(index=3), coded_factors())
    moved = np.abs(surface.design @ (surface.coefficients - rest.coefficients)).max()
    shifts = checks_of(surface)["outliers"].table.set_index("run")["shift"]
    assert shifts["4"] == pytest.approx(moved)


@pytest.mark.slow
def test_checks_do_not_cry_wolf() -> None:
    # 1,000 studies without any fault, 18 and 17 prints for 10 terms: each check speaks up as rarely as
    # it promises, within 3 standard errors.
    rng = np.random.default_rng(12)
    promised = dict.fromkeys(ORDER, 0.05) | {"spread": 0.01, "normality": 0.01, "scale": 0.01}
    alarms = dict.fromkeys(ORDER, 0)
    for study in range(1000):
        table = (
            composite(k=3).iloc[study % 2 :].sample(frac=1, random_state=study, ignore_index=True)
        )
        y = 40 + 5 * table["x1"] - 4 * table["x2"] ** 2 + 2 * rng.normal(size=len(table))
        for check in check_surface(surface_of(table.assign(y=y), coded_factors(3))):
            alarms[check.name] += check.passed is False
    for name, share in promised.items():
        assert alarms[name] / 1000 <= share + 3 * np.sqrt(share * (1 - share) / 1000), (
            name,
            alarms,
        )


def test_a_print_that_decides_alone_is_named() -> None:
    table = pd.DataFrame({"x1": [-1.0, -1, -1, -1, 1], "y": [1.0, 2, 4, 3, 9]})
    found = checks_of(surface_of(table, coded_factors(1), terms="main"))["influence"]
    assert found.passed is False
    assert "run 5 alone decides" in found.sentence


def test_a_print_that_pulls_hard_is_named() -> None:
    # Ten prints at one end agree on a level line; a single one far off tilts it.
    x = np.append(np.linspace(-1, -0.8, 10), 1.0)
    y = np.append(5 + 0.1 * np.resize([1, -1], 10), 9.0)
    surface = surface_of(pd.DataFrame({"x1": x, "y": y}), coded_factors(1), terms="main", unit="GU")
    found = checks_of(surface)["influence"]
    assert found.passed is False
    assert found.table["run"][0] == "11"
    assert found.sentence.startswith(
        "The surface of y hangs on run 11: leaving one out would move it"
    )


def test_uneven_scatter_is_seen(rng: np.random.Generator) -> None:
    table = pd.concat([composite()] * 5, ignore_index=True)
    mean = np.exp(2 + table["x1"])
    table["y"] = mean + 0.3 * mean * rng.normal(size=len(table))
    found = checks_of(surface_of(table, coded_factors(), unit="MPa"))["spread"]
    assert found.passed is False
    assert found.sentence.startswith("Scatter grows with the response")
    assert found.table["upper_half"][0] > found.table["lower_half"][0]


def test_few_prints_give_no_verdict_on_shape_and_evenness(rng: np.random.Generator) -> None:
    table = composite(centre=0).assign(y=rng.normal(size=8))
    found = checks_of(surface_of(table, coded_factors(), terms="main"))
    assert found["spread"].passed is None
    assert found["normality"].passed is None
    assert "Too few spare prints" in found["normality"].sentence


def test_spare_prints_and_mixed_up_terms_are_said() -> None:
    table = pd.DataFrame(
        {"x1": [-1.0, -1, 1, 1, 0, 0], "x2": [-1.0, 1, -1, 1, 0, 0], "y": [1.0, 3, 2, 9, 5, 6]}
    )
    found = checks_of(surface_of(table, coded_factors()))
    assert found["spare_prints"].passed is False
    assert found["spare_prints"].sentence.startswith("Only 1 spare print")
    assert found["mixed_up"].passed is False
    assert "fitted without x2^2: x2^2 is mixed up with x1^2." in found["mixed_up"].sentence
    assert "Only the sum of these bends is known" in found["mixed_up"].sentence
    assert found["outliers"].passed is None


def test_fit_is_said_in_words(rng: np.random.Generator) -> None:
    found = checks_of(surface_of(calm(rng), coded_factors(), unit="mm"))["fit"]
    assert found.passed is None
    assert found.sentence.startswith("A new print typically misses its predicted y by 0.")
    assert "left-out prints were foretold to 0." in found.sentence


# Box and Cox


def poison(interaction: bool) -> tuple[np.ndarray, np.ndarray]:
    table = load_case("b01_boxcox_poison").table()
    cells = table["poison"].astype(str) + (table["treatment"].astype(str) if interaction else "")
    X = pd.get_dummies(cells, dtype=float).to_numpy()
    if not interaction:
        treatment = pd.get_dummies(table["treatment"], dtype=float).to_numpy()[:, 1:]
        X = np.column_stack([X, treatment])
    return X, table["y"].to_numpy(dtype=float)


@pytest.mark.parametrize("interaction", [False, True])
def test_published_power_and_interval(interaction: bool) -> None:
    case = load_case("b01_boxcox_poison")
    X, y = poison(interaction)
    found = box_cox(X, y)
    case.check(
        "lambda_hat with interaction" if interaction else "lambda_hat additive model", found.power
    )
    case.check(
        "ci95 with interaction" if interaction else "ci95 additive model", [found.low, found.high]
    )
    basis = np.linalg.qr(X)[0]
    profile = [profile_log_likelihood(basis, y, p) for p in case.value("lambda_grid")]
    name = "with interaction" if interaction else "additive (-n/2 log(RSS_z/n))"
    case.check(f"profile_loglik {name}", profile)


def test_the_reciprocal_is_advised_for_survival_times() -> None:
    table = load_case("b01_boxcox_poison").table().astype({"poison": str, "treatment": str})
    factors = {"poison": ("1", "2", "3"), "treatment": ("1", "2", "3", "4")}
    found = checks_of(surface_of(table, factors, terms="main"))["scale"]
    assert found.passed is False
    assert "the reciprocal of it" in found.sentence


def test_power_near_zero_is_smooth() -> None:
    X, y = poison(interaction=False)
    basis = np.linalg.qr(X)[0]
    at = [profile_log_likelihood(basis, y, p) for p in (-1e-7, 0.0, 1e-7)]
    assert max(at) - min(at) < 1e-5


def test_scales_that_cannot_be_tried(rng: np.random.Generator) -> None:
    table = calm(rng)
    below = checks_of(surface_of(table.assign(y=table["y"] - 40), coded_factors()))["scale"]
    assert below.passed is None
    assert "at or below 0" in below.sentence
    with pytest.raises(ValueError, match="above 0"):
        box_cox(np.ones((3, 1)), np.array([1.0, 0.0, 2.0]))


def test_few_prints_widen_the_interval_of_the_power() -> None:
    X, y = poison(interaction=False)
    wide, narrow = box_cox(X, y, residual_df=len(y) - X.shape[1]), box_cox(X, y)
    assert wide.power == narrow.power
    assert wide.low < narrow.low
    assert narrow.high < wide.high


def test_not_bell_shaped_misses_are_seen(rng: np.random.Generator) -> None:
    table = pd.concat([composite()] * 6, ignore_index=True)
    table["y"] = 30 + 4 * table["x1"] + rng.exponential(2, size=len(table)) ** 1.5
    found = checks_of(surface_of(table, coded_factors()))["normality"]
    assert found.passed is False
    assert "not bell-shaped" in found.sentence
    assert found.changes_answer
