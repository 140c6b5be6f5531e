"""The gauge study against published tables, other layouts, and the truth of simulated studies."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.errors import MeasurementError
from kit.model.gauge import (
    analyse_gauge,
    repeats_needed,
    requirement_share,
    smallest_step,
)
from kit.rehearse_bench import GaugeTruth
from tests.reference.cases import load_case

CASE = load_case("g01_gauge_10x3x3")


def published() -> pd.DataFrame:
    return CASE.table().rename(columns={"appraiser": "operator", "y": "value"})


def simulated(
    rng: np.random.Generator, truth: GaugeTruth, parts: int, operators: int, repeats: int
) -> pd.DataFrame:
    grid = [
        (f"P{p}", f"O{o}") for p in range(parts) for o in range(operators) for _ in range(repeats)
    ]
    return truth.read(pd.DataFrame(grid, columns=["part", "operator"]), rng)


def test_mean_squares_of_the_published_study() -> None:
    strata = analyse_gauge(published()).strata
    assert strata is not None
    CASE.check("anova_ms part,operator,interaction,error", strata.ms)
    CASE.check("anova_ss part,operator,interaction,error,total", [*strata.ss, sum(strata.ss)])
    CASE.check("anova_df", [*strata.df, sum(strata.df)])


def test_components_of_the_published_study() -> None:
    gauge = analyse_gauge(published())
    names = ("repeatability", "interaction", "operator", "part")
    raw = [gauge.components[n].raw for n in names]
    CASE.check("full_model variance repeatability,interaction,operator,part", raw)
    CASE.check("full_model grr_variance", gauge.measuring.variance)
    names = ("repeatability", "reproducibility", "interaction", "measuring", "part")
    CASE.check("full_model sd EV,AV,INT,GRR,PV,TV", [*(gauge.components[n].sd for n in names), np.sqrt(gauge.measuring.variance + gauge.components["part"].variance)])  # fmt: skip


def test_a_negative_component_counts_as_zero_and_keeps_its_interval() -> None:
    found = analyse_gauge(published()).components["interaction"]
    assert found.raw < 0
    assert found.variance == 0
    assert found.low == 0
    assert found.high > 0


def test_without_interaction_its_squares_join_the_residual() -> None:
    gauge = analyse_gauge(published(), interaction=False)
    raw = [
        gauge.components["repeatability"].raw,
        0.0,
        *(gauge.components[n].raw for n in ("operator", "part")),
    ]
    CASE.check("interaction_pooled variance repeatability,interaction,operator,part", raw)
    CASE.check("interaction_pooled grr_variance", gauge.measuring.variance)
    assert gauge.strata.df[-1] == CASE.value("pooled_error_df")


def test_likelihood_agrees_where_no_component_is_negative(rng: np.random.Generator) -> None:
    table = simulated(rng, GaugeTruth(10, 1.0, 0.5, 0.4, 0.2, 3), 8, 3, 3)
    gauge = analyse_gauge(table)
    for name in ("part", "operator", "interaction", "repeatability"):
        assert gauge.components[name].raw > 0
        assert gauge.reml[name] == pytest.approx(gauge.components[name].variance, rel=1e-5)


def test_repeatability_interval_is_the_chi_square_one() -> None:
    from scipy import stats

    found = analyse_gauge(published()).repeatability
    ss = CASE.value("anova_ss part,operator,interaction,error,total")[3]
    assert found.low == pytest.approx(ss / stats.chi2.ppf(0.975, 60), rel=3e-3)
    assert found.high == pytest.approx(ss / stats.chi2.ppf(0.025, 60), rel=3e-3)


def test_one_operator_leaves_reproducibility_not_estimable() -> None:
    table = published().query("operator == 'A'")
    gauge = analyse_gauge(table)
    assert gauge.layout == "one operator"
    assert gauge.components["reproducibility"] is None
    assert gauge.components["operator"] is None
    assert any("not estimable" in note for note in gauge.notes)
    within = table.groupby("part")["value"].var().mean()
    assert gauge.measuring.variance == pytest.approx(within)


def test_own_parts_are_analysed_nested_and_say_what_is_mixed() -> None:
    # Two operators, two prints each, two pieces each; mean squares worked by hand: 32, 4, 1.
    table = pd.DataFrame(
        {
            "operator": ["A"] * 4 + ["B"] * 4,
            "part": ["1", "1", "2", "2", "3", "3", "4", "4"],
            "value": [10, 10 + 2**0.5, 12, 12 + 2**0.5, 14, 14 + 2**0.5, 16, 16 + 2**0.5],
        }
    )
    gauge = analyse_gauge(table, destructive=True)
    assert gauge.layout == "nested"
    assert gauge.strata.ms == pytest.approx([32.0, 4.0, 1.0])
    assert gauge.components["part"].variance == pytest.approx(1.5)
    assert gauge.components["operator"].variance == pytest.approx(7.0)
    assert gauge.components["interaction"] is None
    assert any("pieces of one print" in note for note in gauge.notes)
    assert any("own" in note for note in gauge.notes)


def test_a_table_with_gaps_goes_by_likelihood_and_says_so() -> None:
    gauge = analyse_gauge(published().drop(index=[3, 17, 40]))
    assert gauge.strata is None
    assert any("gaps" in note for note in gauge.notes)
    whole = analyse_gauge(published())
    assert gauge.measuring.sd == pytest.approx(whole.measuring.sd, rel=0.15)
    assert gauge.measuring.low < gauge.measuring.variance < gauge.measuring.high


@pytest.mark.parametrize("destructive", [False, True])
def test_nothing_read_twice_is_refused_with_a_remedy(destructive: bool) -> None:
    table = published().query("trial == 1")
    with pytest.raises(MeasurementError, match="needs 2"):
        analyse_gauge(table, destructive=destructive)


def test_one_part_and_one_operator_is_refused() -> None:
    with pytest.raises(MeasurementError, match="two parts"):
        analyse_gauge(published().query("operator == 'A' and part == 1"))


def test_all_readings_alike_are_not_believed_below_the_display() -> None:
    table = (
        published().query("operator == 'A'").assign(value=lambda t: np.round(t["part"] * 0.5, 1))
    )
    gauge = analyse_gauge(table, step=0.1)
    assert gauge.repeatability.sd == 0
    assert gauge.repeat_sd == pytest.approx(0.1 / np.sqrt(12))
    assert any("display" in sentence for sentence in gauge.checks)


def test_the_operator_who_scatters_is_named(rng: np.random.Generator) -> None:
    table = simulated(rng, GaugeTruth(10, 1.0, 0.0, 0.0, 0.1, 3), 10, 3, 3)
    worse = table["operator"] == "O1"
    table.loc[worse, "value"] += rng.normal(0, 0.5, int(worse.sum()))
    assert any("by O1" in sentence for sentence in analyse_gauge(table).checks)


def test_a_slip_is_named_and_kept(rng: np.random.Generator) -> None:
    table = simulated(rng, GaugeTruth(10, 1.0, 0.0, 0.0, 0.02, 3), 8, 2, 3)
    table.loc[10, "value"] += 3.0
    gauge = analyse_gauge(table)
    assert any(f"part {table['part'][10]}" in sentence for sentence in gauge.checks)
    assert gauge.readings == len(table)


def test_a_drift_over_the_order_of_reading_is_seen(rng: np.random.Generator) -> None:
    table = simulated(rng, GaugeTruth(10, 1.0, 0.0, 0.0, 0.02, 3), 6, 1, 4)
    table["order"] = rng.permutation(len(table)) + 1.0
    still = analyse_gauge(table).checks
    table["value"] += 0.01 * table["order"]
    assert not any("rise" in sentence for sentence in still)
    assert any("rise" in sentence for sentence in analyse_gauge(table).checks)


@given(st.floats(1e-6, 1e3), st.floats(1e-6, 1e3))
def test_repeats_needed_is_the_smallest_that_keeps_the_rule(repeat: float, run: float) -> None:
    n = repeats_needed(repeat, run)
    assert repeat / n <= 0.21 * run * (1 + 1e-6)
    assert n == 1 or repeat / (n - 1) > 0.21 * run * (1 - 1e-6)


def test_share_of_a_one_sided_requirement_does_not_exist() -> None:
    assert requirement_share(0.01, 1.0, None) is None
    assert requirement_share(0.01, -0.1, 0.1) == pytest.approx(0.3)


@pytest.mark.parametrize(
    ("values", "step"),
    [
        ([20.03, 20.01], 0.01),
        ([20.05, 20.10], 0.05),
        ([1.5, 2.0], 0.5),
        ([0.123456789, 0.5], 0.0),
        ([12.0, 14.0], 2.0),
    ],
)
def test_the_step_of_the_display_is_seen_from_its_readings(
    values: list[float], step: float
) -> None:
    assert smallest_step(np.array(values)) == pytest.approx(step)


@settings(max_examples=6, deadline=None)
@given(st.permutations(range(24)))
def test_order_of_rows_does_not_matter(order: list[int]) -> None:
    table = simulated(np.random.default_rng(3), GaugeTruth(10, 1.0, 0.5, 0.4, 0.2, 3), 4, 2, 3)
    one, other = analyse_gauge(table), analyse_gauge(table.iloc[order].reset_index(drop=True))
    for name, found in one.components.items():
        assert other.components[name].variance == pytest.approx(found.variance, rel=1e-9)


def test_unit_only_scales(rng: np.random.Generator) -> None:
    table = simulated(rng, GaugeTruth(10, 1.0, 0.5, 0.4, 0.2, 3), 6, 3, 2)
    mm, um = analyse_gauge(table), analyse_gauge(table.assign(value=table["value"] * 1000))
    for name, found in mm.components.items():
        assert um.components[name].sd == pytest.approx(1000 * found.sd)
        assert um.components[name].sd_high == pytest.approx(1000 * found.sd_high)


@pytest.mark.slow
@pytest.mark.parametrize("operator_sd", [0.0, 0.5])
def test_intervals_cover_as_often_as_they_say(operator_sd: float) -> None:
    truth = GaugeTruth(10, 1.0, operator_sd, 0.2, 0.3, 6)
    squares = {
        "repeatability": 0.3**2,
        "operator": operator_sd**2,
        "interaction": 0.2**2,
        "measuring": 0.3**2 + 0.2**2 + operator_sd**2,
        "part": 1.0,
    }
    hits, rounds = dict.fromkeys(squares, 0), 600
    rng = np.random.default_rng(8)
    for _ in range(rounds):
        gauge = analyse_gauge(simulated(rng, truth, 8, 3, 2))
        for name, true in squares.items():
            found = gauge.components[name]
            hits[name] += found.low <= true <= found.high
    for name, count in hits.items():
        # 95 % less three binomial standard errors; generalised intervals may cover more, never much less.
        assert count / rounds > 0.95 - 3 * np.sqrt(0.95 * 0.05 / rounds), name
