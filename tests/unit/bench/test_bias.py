"""Bias of instruments, the correction and the uncertainty budget of the GUM."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kit.bench.bias import instrument_bias
from kit.bench.budget import Source, budget, rectangle, rounding
from kit.errors import MeasurementError
from kit.rehearse_bench import InstrumentTruth
from tests.reference.cases import load_case

GUM = load_case("n03_gum_h1_end_gauge")
BLOCKS = {"block 5": 5.0, "block 20": 20.0, "block 50": 50.0, "block 75": 75.0}


def read(truth: InstrumentTruth, rng: np.random.Generator, repeats: int = 3) -> pd.DataFrame:
    return truth.read_references("caliper", BLOCKS, rng, repeats=repeats, unit="mm", u_true=0.001)


def test_end_gauge_of_the_gum() -> None:
    rows = GUM.table("components.csv")
    found = budget([Source(r.component, r.u_nm, r.df) for r in rows.itertuples()], confidence=0.99)
    GUM.check("combined standard uncertainty (nm)", found.u)
    GUM.check("effective degrees of freedom with unrounded u_c (31.67 nm)", found.df)
    GUM.check("t quantile 0.995, 16 df", found.coverage_factor)
    assert found.coverage_factor * 32 == pytest.approx(
        GUM.value("expanded uncertainty 99 % with u_c=32 (nm)"), rel=1e-6
    )
    second = budget([*found.sources, Source("second order", 11.7)])
    GUM.check("u_c including second-order term 11.7 nm", second.u)


def test_limits_and_display_as_standard_uncertainties() -> None:
    # A limit of 0.02 mm: 0.0115; a step of 0.01 mm: 0.0029 (GUM 4.3.7 and F.2.2.1, worked by hand).
    assert rectangle(0.02) == pytest.approx(0.011547, abs=1e-6)
    assert rounding(0.01) == pytest.approx(0.0028868, abs=1e-7)


def test_exact_line_is_found_and_taken_off() -> None:
    true = np.array([5.0, 5.0, 20.0, 20.0, 75.0, 75.0])
    table = pd.DataFrame({"instrument": "caliper", "reference": "block", "true_value": true,
                          "reading": 0.02 + 1.001 * true, "u_true": 0.0, "step": 0.0, "unit": "mm"})  # fmt: skip
    bias = instrument_bias(table)
    assert bias.slope.value == pytest.approx(0.001)
    assert bias.at(np.array([0.0])) == pytest.approx([0.02])
    assert bias.corrected(0.02 + 1.001 * np.array([10.0, 60.0])) == pytest.approx([10.0, 60.0])


def test_standard_errors_are_those_of_least_squares(rng: np.random.Generator) -> None:
    from scipy import stats

    table = read(InstrumentTruth(0.02, 0.0004, 0.008, 3), rng)
    bias = instrument_bias(table)
    line = stats.linregress(table["true_value"], table["reading"] - table["true_value"])
    assert bias.slope.value == pytest.approx(line.slope)
    assert bias.slope.std_error == pytest.approx(line.stderr)
    assert np.sqrt(bias.covariance[0, 0]) == pytest.approx(bias.scatter / np.sqrt(len(table)))


def test_one_reference_shows_no_slope(rng: np.random.Generator) -> None:
    table = read(InstrumentTruth(0.02, 0.0004, 0.008), rng).query("reference == 'block 20'")
    bias = instrument_bias(table)
    assert bias.slope is None
    assert bias.at(np.array([5.0, 75.0])) == pytest.approx(bias.constant.value)


def test_too_few_readings_are_refused(rng: np.random.Generator) -> None:
    table = read(InstrumentTruth(0.02, 0.0, 0.008), rng, repeats=1).iloc[:2]
    with pytest.raises(MeasurementError, match="twice or more"):
        instrument_bias(table)


def test_a_bend_is_seen_and_enters_the_budget(rng: np.random.Generator) -> None:
    table = read(InstrumentTruth(0.0, 0.0, 0.002, 3), rng, repeats=5)
    straight = instrument_bias(table)
    table["reading"] += 0.05 * np.sin(table["true_value"] / 15)
    bent = instrument_bias(table)
    assert not straight.is_bent
    assert bent.is_bent
    assert "bend" in bent.budget_at(20.0).sources[-1].name
    assert bent.correction_u(20.0) > 5 * straight.correction_u(20.0)


def test_correction_is_less_sure_outside_the_references(rng: np.random.Generator) -> None:
    bias = instrument_bias(read(InstrumentTruth(0.02, 0.0, 0.008, 3), rng))
    assert bias.correction_u(300.0) > 2 * bias.correction_u(40.0)


def test_repeats_shrink_only_what_repeats_can_shrink(rng: np.random.Generator) -> None:
    bias = instrument_bias(read(InstrumentTruth(0.02, 0.0, 0.008, 3), rng))
    once, often = bias.budget_at(20.0), bias.budget_at(20.0, repeats=10_000)
    assert once.u > often.u > bias.correction_u(20.0) * 0.999


@pytest.mark.slow
def test_expanded_uncertainty_covers(rng: np.random.Generator) -> None:
    truth, hits, rounds = InstrumentTruth(0.03, 0.0005, 0.01, 6), 0, 1500
    for _ in range(rounds):
        bias = instrument_bias(read(truth, rng, repeats=2).assign(u_true=0.0, step=0.0))
        value = rng.uniform(5, 75)
        found = bias.corrected(truth.show(np.array([value]), rng))[0]
        hits += abs(found - value) <= bias.budget_at(value).expanded
    assert abs(hits / rounds - 0.95) < 3 * np.sqrt(0.95 * 0.05 / rounds)
