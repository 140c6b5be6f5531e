"""Two one-sided tests, Holm's rule, and how many prints they take."""

from __future__ import annotations

import numpy as np
import pingouin
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests

from kit.model.equivalence import equivalence, equivalence_power, holm, prints_needed
from tests.reference.cases import load_case

CASE = "e01_tost_two_sample_methods"


@pytest.mark.parametrize("way", ["pooled", "welch"])
def test_published_two_sample_case(way: str) -> None:
    case = load_case(CASE)
    a, b = (case.table()[c].to_numpy(dtype=float) for c in ("a", "b"))
    va, vb = a.var(ddof=1) / len(a), b.var(ddof=1) / len(b)
    error = np.sqrt(va + vb)
    df = len(a) + len(b) - 2.0
    if way == "welch":
        df = (va + vb) ** 2 / (va**2 / (len(a) - 1) + vb**2 / (len(b) - 1))
    estimate = float(a.mean() - b.mean())
    found = equivalence(estimate, float(error), df, margin=case.value("margins")[1])
    for id, value in {
        "diff": estimate,
        "se": error,
        "df": df,
        "t_lower": found.t_lower,
        "t_upper": found.t_upper,
        "p_lower": found.p_lower,
        "p_upper": found.p_upper,
        "p_tost": found.p,
        "ci90": [found.low, found.high],
    }.items():
        case.check(f"{way} {id}", value)
    ours = pingouin.tost(a, b, bound=5, correction=way == "welch")["pval"].iloc[0]
    assert found.p == pytest.approx(ours, rel=1e-6)


@given(
    estimate=st.floats(-5, 5),
    error=st.floats(0.01, 3),
    df=st.floats(1, 100),
    margin=st.floats(0.1, 6),
)
def test_shown_exactly_when_the_interval_lies_within_the_margin(
    estimate: float, error: float, df: float, margin: float
) -> None:
    found = equivalence(estimate, error, df, margin)
    inside = -margin < found.low and found.high < margin
    if abs(found.p - 0.05) > 1e-9:
        assert (found.p < 0.05) == inside
    mirrored = equivalence(-estimate, error, df, margin)
    assert mirrored.p == pytest.approx(found.p)
    assert equivalence(estimate, error, df, 2 * margin).p <= found.p + 1e-15


@pytest.mark.parametrize("margin", [0.0, -1.0, float("nan")])
def test_a_margin_is_above_nothing(margin: float) -> None:
    with pytest.raises(ValueError, match="margin must be above 0"):
        equivalence(0.0, 1.0, 10, margin)


def test_holm_agrees_with_a_reference_library(rng: np.random.Generator) -> None:
    for size in (1, 2, 3, 5, 8):
        p = rng.uniform(0, 0.2, size=size)
        np.testing.assert_allclose(holm(p), multipletests(p, method="holm")[1], atol=1e-12)
    assert holm([0.02, 0.02]).tolist() == [0.04, 0.04]


def test_power_with_known_scatter_is_the_normal_formula() -> None:
    want = 2 * stats.norm.cdf(2.5 - stats.norm.ppf(0.95)) - 1
    assert equivalence_power(1.0, 1e7, 2.5) == pytest.approx(want, abs=1e-5)


@pytest.mark.parametrize(
    ("n", "margin", "difference"), [(6, 2.0, 0.0), (5, 1.0, 0.3), (18, 1.0, 0.5)]
)
def test_power_is_what_simulation_gives(
    n: int, margin: float, difference: float, rng: np.random.Generator
) -> None:
    repeats = 200_000
    error, df = np.sqrt(2 / n), 2 * (n - 1)
    estimates = difference + error * rng.normal(size=repeats)
    errors = error * np.sqrt(rng.chisquare(df, size=repeats) / df)
    hit = np.abs(estimates) + stats.t.ppf(0.95, df) * errors < margin
    assert equivalence_power(error, df, margin, difference=difference) == pytest.approx(
        hit.mean(), abs=0.004
    )


def test_prints_needed_grow_with_the_claims_and_shrink_with_the_margin() -> None:
    assert [prints_needed(1.0, m) for m in (2.0, 1.5, 1.0, 0.75, 0.5)] == [6, 9, 18, 32, 70]
    assert prints_needed(1.0, 1.0, alpha=0.05 / 3) > prints_needed(1.0, 1.0)
    assert prints_needed(0.0, 1.0) == 2
    assert prints_needed(100.0, 0.1) is None
    assert prints_needed(0.03, 0.06) == 6  # a matter of the ratio alone
