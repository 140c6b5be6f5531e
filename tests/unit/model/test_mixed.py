"""Mixed surfaces: published split-plot and blocked cases from a study folder to estimates."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.analysis import analyse
from kit.model.anova import anova_terms
from kit.model.effects import level_means, step_effects
from kit.model.fit import fit_surface
from kit.model.influence import missed_by, unit_moves
from kit.model.least_squares import fit_least_squares
from kit.model.predict import distribution, predict
from kit.model.surface import Surface
from kit.report.results import results_document
from kit.study.description import Response
from kit.window.posterior import probability_draws
from kit.window.probability import chance_to_meet
from tests.reference.cases import Case, load_case
from tests.unit.model.builders import (
    coded_factors,
    composite,
    make_measured,
    make_runs,
    make_study,
)
from tests.unit.model.mixed_folders import category, write_study


def number(*columns: pd.Series) -> list[int]:
    joined = pd.Series(list(zip(*columns, strict=True)))
    return [int(i) + 1 for i in pd.factorize(joined)[0]]


def surface_in(folder: Path) -> Surface:
    return analyse(folder).surfaces["y"]


def steel(folder: Path, file: str, *, quantitative: bool = False) -> Surface:
    table = load_case("sp01_steel_bars").table(file)
    heat: dict[str, object] = category(table["heats"], hard=True)
    if quantitative:
        table["heats"] = table["heats"].str[1:].astype(float)
        heat = {"low": 360.0, "high": 380.0, "hard_to_change": True}
    factors = {"heats": heat, "coating": category(table["coating"])}
    terms = (
        ["heats", "coating", "heats^2"] if quantitative else ["heats", "coating", "heats:coating"]
    )
    return surface_in(
        write_study(
            folder, table, factors, block=number(table["run"]), value=table["resistance"],
            model={"terms": terms},
        )
    )  # fmt: skip


def pulp(folder: Path, *, balanced: bool) -> Surface:
    table = load_case("sp03_pulp_split_plot").table()
    table["pulp"] = table["pulp"].astype(str)
    if balanced:
        table["temp"] = table["temp"].astype(str)
        temp: dict[str, object] = category(table["temp"])
        terms = ["pulp", "temp", "pulp:temp"]
    else:
        table = table.drop(index=[4, 13, 30]).reset_index(drop=True)
        temp, terms = {"low": 225.0, "high": 250.0}, ["pulp", "temp", "temp^2", "pulp:temp"]
    return surface_in(
        write_study(
            folder, table, {"pulp": category(table["pulp"], hard=True), "temp": temp},
            block=number(table["rep"], table["pulp"]), value=table["y"], groups=["rep"],
            model={"terms": terms, "random": ["rep"]},
        )
    )  # fmt: skip


def check_components(case: Case, tag: str, surface: Surface) -> None:
    assert surface.mixed is not None
    case.check(f"{tag}: reml_variance_components", surface.mixed.components)


def check_tests(case: Case, tag: str, surface: Surface) -> None:
    table = anova_terms(surface)
    for column, id in {"F": "F", "df": "num_df", "residual_df": "den_df", "p": "p"}.items():
        found = table[column].to_numpy()
        case.check(f"{tag}: anova_kr_{id}", found if len(found) > 1 else found[0])


def check_levels(case: Case, tag: str, surface: Surface, factor: str, name: str) -> None:
    means = level_means(surface, factor)
    for column, id in {"estimate": "estimate", "std_error": "se_kr", "df": "df_kr"}.items():
        case.check(f"{tag}: emmeans {name} {id}", means.table[column])
    pairs = [means.rows[i] - means.rows[j] for i, j in combinations(range(len(means.rows)), 2)]
    rows = np.array(pairs)
    found = {
        "estimate": rows @ surface.coefficients,
        "se_kr": np.sqrt(np.sum((rows @ surface.covariance) * rows, axis=1)),
        "df_kr": surface.row_df(rows),
    }
    for id, values in found.items():
        case.check(f"{tag}: pairs {name} {id}", values if len(values) > 1 else values[0])


@pytest.mark.parametrize("tag", ["balanced", "unbalanced"])
def test_steel_bars(tmp_path: Path, tag: str) -> None:
    case = load_case("sp01_steel_bars")
    surface = steel(tmp_path, "data.csv" if tag == "balanced" else "data_unbalanced.csv")
    check_components(case, tag, surface)
    check_tests(case, tag, surface)
    check_levels(case, tag, surface, "heats", "heats")
    check_levels(case, tag, surface, "coating", "coating")


def test_steel_bars_with_a_scaled_hard_factor(tmp_path: Path) -> None:
    case, tag = load_case("sp01_steel_bars"), "unbalanced quantitative"
    surface = steel(tmp_path, "data_unbalanced.csv", quantitative=True)
    check_components(case, tag, surface)
    table = anova_terms(surface).set_index("term").loc[["heats", "heats^2", "coating"]]
    for column, id in {"F": "F", "residual_df": "den_df", "p": "p"}.items():
        case.check(f"{tag}: anova_kr_{id}", table[column])


def test_pulp_in_nested_groups(tmp_path: Path) -> None:
    case = load_case("sp03_pulp_split_plot")
    surface = pulp(tmp_path, balanced=True)
    check_components(case, "balanced", surface)
    check_tests(case, "balanced", surface)
    check_levels(case, "balanced", surface, "pulp", "pulp")
    check_levels(case, "balanced", surface, "temp", "tempf")
    assert surface.variance.block == pytest.approx(surface.mixed.components[0])
    assert surface.variance.groups == {"rep": pytest.approx(surface.mixed.components[1])}


def test_pulp_with_failed_runs(tmp_path: Path) -> None:
    case = load_case("sp03_pulp_split_plot")
    surface = pulp(tmp_path, balanced=False)
    check_components(case, "unbalanced quantitative", surface)
    check_tests(case, "unbalanced quantitative", surface)


def test_penicillin_in_random_blocks(tmp_path: Path) -> None:
    case = load_case("sp04_penicillin_blocks")
    table = case.table().assign(formula=lambda t: t["formula"].astype(str))
    surface = surface_in(
        write_study(
            tmp_path, table, {"formula": category(table["formula"])}, block=table["batch"],
            value=table["y"], model={"terms": "main", "blocks": "random"},
        )
    )  # fmt: skip
    check_components(case, "blocks", surface)
    check_tests(case, "blocks", surface)
    check_levels(case, "blocks", surface, "formula", "formula")


def test_beets_in_fixed_and_random_groups(tmp_path: Path) -> None:
    case, tag = load_case("sp05_beets"), "additive"
    table = case.table().rename(columns={"block": "bed"})
    factors = {n: category(table[n], hard=n == "harvest") for n in ("bed", "sow", "harvest")}
    surface = surface_in(
        write_study(
            tmp_path, table, factors, block=number(table["bed"], table["harvest"]),
            value=table["sugpct"], model={"terms": "main"},
        )
    )  # fmt: skip
    check_components(case, tag, surface)
    check_tests(case, tag, surface)
    check_levels(case, tag, surface, "sow", "sow")
    check_levels(case, tag, surface, "harvest", "harvest")


# --------------------------------------------------------------------------------------------------
# Predictions, groups and run-by-run numbers


def plates(rng: np.random.Generator, *, sd: float = 1.0, responses: int = 1) -> list[Surface]:
    """A composite on six plates of four prints, scatter 1 within and ``sd`` between them."""
    table = pd.concat([composite(centre=4), composite(centre=4)], ignore_index=True)
    block = np.repeat(np.arange(6), 4)
    study = make_study(coded_factors(), blocks="random")
    runs = make_runs(table, block=(block + 1).tolist())
    found = []
    shared, luck = rng.normal(size=24), rng.normal(size=6)
    for i in range(responses):
        response = Response(name=f"y{i}", lower=18.0)
        own = 0.6 * rng.normal(size=24) + 0.8 * shared + sd * luck[block]
        y = 20 + table["x1"].to_numpy() - table["x2"].to_numpy() ** 2 + own
        measured = make_measured(study, runs, y.tolist())
        found.append(fit_surface(replace(measured, response=response), runs, study))
    return found


def test_a_future_print_carries_the_scatter_of_its_plate(rng: np.random.Generator) -> None:
    (surface,) = plates(rng)
    at = {"x1": [0.0, 1.0], "x2": [0.0, -1.0]}
    mean, new = (predict(surface, at, what=what) for what in ("mean", "print"))
    between = new["std_error"] ** 2 - mean["std_error"] ** 2
    np.testing.assert_allclose(between, surface.mixed.components.sum(), rtol=1e-9)
    assert surface.variance.block == surface.mixed.components[0] > 0
    assert new["df"].nunique() == 2  # each prediction has its own
    assert (new["df"] < 18).all()  # prints less terms, if plates did not matter


def test_one_part_adds_the_scatter_of_specimens(rng: np.random.Generator) -> None:
    (surface,) = plates(rng)
    pieces = replace(surface, specimen_variance=0.5, specimens_per_print=2.0, specimen_df=24.0)
    at = np.zeros((1, 2))
    _, scale, df = distribution(surface, at, "print")
    _, wider, more = distribution(pieces, at, "part")
    assert wider[0] ** 2 == pytest.approx(scale[0] ** 2 + 0.25)
    want = wider[0] ** 4 / (scale[0] ** 4 / df[0] + 0.25**2 / 24)
    assert more[0] == pytest.approx(want)


def test_left_out_prints_are_foretold_from_all_others(rng: np.random.Generator) -> None:
    (surface,) = plates(rng)
    y = surface.observations["value"].to_numpy()
    X, V = surface.design, surface.mixed.V
    for i in (0, 7, 23):
        rest = np.delete(np.arange(len(y)), i)
        inverse = np.linalg.inv(V[np.ix_(rest, rest)])
        b = np.linalg.solve(X[rest].T @ inverse @ X[rest], X[rest].T @ inverse @ y[rest])
        foretold = X[i] @ b + V[i, rest] @ inverse @ (y[rest] - X[rest] @ b)
        assert surface.observations["left_out"][i] == pytest.approx(foretold)
        move = unit_moves(surface)[:, i] * missed_by(surface)[i]
        np.testing.assert_allclose(surface.coefficients - move, b, atol=1e-9)


def test_studentised_residuals_are_those_of_a_print_with_a_shift_of_its_own(
    rng: np.random.Generator,
) -> None:
    (surface,) = plates(rng)
    y, X, V = surface.observations["value"].to_numpy(), surface.design, surface.mixed.V
    white = np.linalg.inv(np.linalg.cholesky(V))
    for i in (3, 11):
        wide = np.column_stack([X, np.eye(len(y))[i]])
        found = fit_least_squares(white @ wide, white @ y)
        t = found.coefficients[-1] / found.std_errors[-1]
        assert surface.observations["studentised"][i] == pytest.approx(t)


def test_crossed_spools_and_days_are_told_apart(tmp_path: Path) -> None:
    # Balanced crossing: REML gives the estimates of the two-way analysis of variance.
    rng = np.random.default_rng(3)
    spool, day = (g.ravel() for g in np.meshgrid(np.arange(5), np.arange(4), indexing="ij"))
    spool, day = np.repeat(spool, 2), np.repeat(day, 2)
    x = np.tile([-1.0, 1.0], 20)
    y = (
        50
        + x
        + 2 * rng.normal(size=5)[spool]
        + 1.5 * rng.normal(size=4)[day]
        + 0.5 * rng.normal(size=40)
    )
    table = pd.DataFrame({"x": x, "spool": spool, "day": day})
    surface = surface_in(
        write_study(
            tmp_path, table, {"x": {"low": -1.0, "high": 1.0}}, block=None, value=y,
            groups=["spool", "day"], model={"terms": "main", "random": ["spool", "day"]},
        )
    )  # fmt: skip
    left = (y - surface.coefficients[1] * x).reshape(5, 4, 2)
    by_spool, by_day = left.mean(axis=(1, 2)), left.mean(axis=(0, 2))
    rest = left - by_spool[:, None, None] - by_day[None, :, None] + left.mean()
    within = float((rest**2).sum()) / (40 - 5 - 4 + 1 - 1)
    want = [by_spool.var(ddof=1) - within / 8, by_day.var(ddof=1) - within / 10, within]
    np.testing.assert_allclose(surface.mixed.components, want, rtol=1e-6)
    assert set(surface.variance.groups) == {"spool", "day"}
    assert "future spool and day" in " ".join(surface.notes)


def test_responses_of_the_same_plates_are_judged_together(rng: np.random.Generator) -> None:
    first, second = plates(rng, responses=2)
    surfaces = {"y0": first, "y1": second}
    at = np.array([[0.5, 0.0]])
    together = float(chance_to_meet(surfaces, at)[0])
    apart = float(chance_to_meet(surfaces, at, joint=False)[0])
    least = min(float(chance_to_meet({n: s}, at)[0]) for n, s in surfaces.items())
    assert apart < together < least
    draws = probability_draws(surfaces, at[0], rng, draws=20_000)
    assert draws.mean() == pytest.approx(together, abs=0.02)


def test_posterior_of_one_mixed_response_averages_to_its_chance(rng: np.random.Generator) -> None:
    (surface,) = plates(rng)
    at = np.array([0.5, 0.3])
    draws = probability_draws({"y0": surface}, at, rng, draws=20_000)
    want = float(chance_to_meet({"y0": surface}, at[None, :])[0])
    assert draws.mean() == pytest.approx(want, abs=0.01)


def test_zero_scatter_between_plates_keeps_its_place(rng: np.random.Generator) -> None:
    for _ in range(20):
        (surface,) = plates(rng, sd=0.0)
        if surface.variance.block == 0:
            break
    assert surface.variance.block == 0
    assert surface.mixed.high[0] > 0
    assert any("does not prove" in note for note in surface.notes)


def test_lack_of_fit_sees_a_bend_the_model_does_not_follow(rng: np.random.Generator) -> None:
    table = pd.concat([composite(centre=4)] * 2, ignore_index=True)
    block = np.repeat(np.arange(6), 4)
    study = make_study(coded_factors(), blocks="random", terms="main")
    runs = make_runs(table, block=(block + 1).tolist())
    noise = 0.3 * rng.normal(size=24) + rng.normal(size=6)[block]
    bent = 20 + 4 * table["x1"].to_numpy() ** 2 + noise
    p = [
        fit_surface(make_measured(study, runs, y.tolist()), runs, study).lack_of_fit.p
        for y in (bent, 20 + noise)
    ]
    assert p[0] < 0.001 < p[1]


def test_a_hard_to_change_study_goes_all_the_way(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    bed, speed = np.repeat([60, 80, 70, 60, 80, 70, 60, 80], 3), np.tile([40, 70, 100], 8)
    block = np.repeat(np.arange(1, 9), 3)
    gloss = 50 - speed / 20 + rng.normal(size=24) + rng.normal(size=9)[block]
    table = pd.DataFrame({"bed": bed, "speed": speed})
    factors = {
        "bed": {
            "kind": "bed_temperature",
            "low": 60,
            "high": 80,
            "step": 5,
            "hard_to_change": True,
        },
        "speed": {"kind": "speed", "low": 40, "high": 100, "step": 10},
    }
    folder = write_study(
        tmp_path, table, factors, block=block, value=gloss.round(1), model={"terms": "second_order"},
        response={"unit": "GU", "lower": 40.0, "plausible": [0, 100]},
    )  # fmt: skip
    analysis = analyse(folder)
    window = analysis.window
    assert window.recommended is not None
    assert any("future block" in note for note in window.notes)
    variance = results_document(analysis)["models"]["y"]["variance"]
    assert variance["block"] == pytest.approx(analysis.surfaces["y"].mixed.components[0])
    hard, easy = step_effects(analysis.surfaces["y"], analysis.study)["df"]
    assert hard < 6 < easy
