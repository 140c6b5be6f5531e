"""Power and sizes against Cohen's tables and base R's documented examples, with a library as second opinion."""

from __future__ import annotations

from math import inf, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import nct
from scipy.stats import t as student
from statsmodels.stats.power import TTestIndPower

from kit.design.noise import (
    Noise,
    best_specimens,
    pooled_noise,
    sd_of_a_print,
    upper_factor,
)
from kit.design.power import power_f, power_t, prints_for, smallest_shift
from tests.reference.cases import load_case

CASE = load_case("p01_power")


@pytest.mark.parametrize(
    ("name", "effect", "n", "df"),
    [
        ("two-level effect 2 sigma, 2^3 x 2 replicates (N=16, dfe=8)", 2.0, 16, 8),
        ("two-level effect 1 sigma, N=16, dfe=8", 1.0, 16, 8),
        ("two-level effect 1 sigma, N=32, dfe=24", 1.0, 32, 24),
        (
            "two-level effect 1.5 sigma, 2^4 + 4 centre runs, dfe=8 (10-term model, N factorial=16)",
            1.5,
            16,
            8,
        ),
    ],
)
def test_power_of_two_level_effects(name: str, effect: float, n: int, df: int) -> None:
    CASE.check(name, power_t(effect * sqrt(n) / 2, df))


def test_power_of_t_and_f_tests() -> None:
    CASE.check("t two-sample d=0.5 n=64 alpha=.05", power_t(0.5 * sqrt(32), 126))
    CASE.check("F one-way f=0.25 4 groups n=45 alpha=.05", power_f(0.25**2 * 180, 3, 176))
    CASE.check("F one-way f=0.40 3 groups n=21 alpha=.05", power_f(0.4**2 * 63, 2, 60))
    CASE.check(
        "R power.anova.test groups=4 n=5 between.var=1 within.var=3", power_f(3 * 5 * 1 / 3, 3, 16)
    )
    table = [power_t(e * sqrt(8) / 2, 4) for e in (1, 1.5, 2, 2.5)]
    CASE.check("table effect/sigma 1,1.5,2,2.5 for N=8 dfe=4 alpha=.05", table)


@given(st.floats(0.1, 3.0), st.integers(3, 60))
def test_power_agrees_with_a_library(d: float, n: int) -> None:
    other = TTestIndPower().power(effect_size=d, nobs1=n, alpha=0.05)
    if np.isnan(other):  # the library's noncentral t has holes
        other = nct.sf(student.ppf(0.975, 2 * n - 2), 2 * n - 2, d * sqrt(n / 2) * (1 + 1e-9))
    if np.isnan(other):
        return
    assert power_t(d * sqrt(n / 2), 2 * n - 2) == pytest.approx(other, abs=1e-6)


@given(st.integers(1, 200))
def test_the_smallest_shift_is_seen_four_times_out_of_five(df: int) -> None:
    assert power_t(smallest_shift(df), df) == pytest.approx(0.8, abs=1e-6)


def test_prints_for_a_difference_are_the_fewest() -> None:
    # n per group at 80 %, 5 % two-sided for 3, 2, 1.5, 1, 0.75, 0.5 SD, as the library gives them.
    for d in (3.0, 2.0, 1.5, 1.0, 0.75, 0.5):
        n = prints_for(d, 1.0)
        assert n is not None
        wanted = int(np.ceil(TTestIndPower().solve_power(effect_size=d, power=0.8, alpha=0.05)))
        assert n == 2 * wanted
    assert prints_for(0.01, 1.0) is None
    with pytest.raises(ValueError, match="above 0"):
        prints_for(1.0, 0.0)


def test_without_spare_prints_nothing_is_seen() -> None:
    assert power_t(5.0, 0) == 0.0
    assert smallest_shift(0) == inf
    assert power_f(5.0, 2, 0) == 0.0
    assert power_t(200.0, 3) == pytest.approx(1.0)


def test_how_little_few_prints_tell() -> None:
    # chi-square 5 % points 0.1026 (2 df) and 3.940 (10 df): any table, here from memory.
    assert upper_factor(2) == pytest.approx(sqrt(2 / 0.1026), rel=1e-3)
    assert upper_factor(10) == pytest.approx(sqrt(10 / 3.940), rel=1e-3)
    assert Noise(2.0, inf, "as stated").high == 2.0


def test_noise_is_pooled_within_settings() -> None:
    found = pooled_noise(np.array([1.0, 3.0, 10.0, 10.0, 5.0]), ["a", "a", "b", "b", "c"], "here")
    assert found is not None
    assert (found.sd, found.df) == (1.0, 2)
    assert pooled_noise(np.array([1.0, 2.0]), ["a", "b"], "here") is None


@given(st.floats(0.1, 5), st.floats(0.1, 5), st.floats(1, 50))
def test_the_best_number_of_specimens_costs_least(p: float, s: float, ratio: float) -> None:
    best = best_specimens(p, s, ratio)

    def cost(m: int) -> float:
        return sd_of_a_print(p, s, m) ** 2 * (ratio + m)

    assert all(cost(best) <= cost(m) + 1e-9 for m in range(1, 51))
    assert abs(best - min(max(sqrt(ratio) * s / p, 1), 50)) <= 1
