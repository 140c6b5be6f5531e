from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from kit.window.tolerance import (
    howe_factor,
    one_sided_factor,
    share_limits,
    tail_limits,
    two_sided_factor,
    zero_failure_prints,
)
from tests.reference.cases import load_case


def test_tolerance_factors_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 7.2.6.3, and printed tables of two-sided factors."""
    case = load_case("v01_tolerance")
    case.check(
        "n=43 p=0.90 conf=0.99: two-sided factor, Howe approximation", howe_factor(43, 0.90, 0.99)
    )
    case.check("n=43 p=0.90 conf=0.99: two-sided factor, exact", two_sided_factor(43, 0.90, 0.99))
    case.check(
        "n=43 p=0.90 conf=0.99: one-sided factor, noncentral t", one_sided_factor(43, 0.90, 0.99)
    )
    case.check("n=10 p=0.95 conf=0.95: one-sided factor", one_sided_factor(10, 0.95, 0.95))
    for n, share in ((5, 0.9), (5, 0.95), (10, 0.9), (10, 0.95), (10, 0.99)):
        name = f"n={n} p={share:g} conf=0.95: two-sided factor, exact"
        case.check(name, two_sided_factor(n, share, 0.95))


@pytest.mark.parametrize(("share", "n"), [(0.80, 8), (0.90, 22), (0.95, 59)])
def test_zero_failure_plans(share: float, n: int) -> None:
    """Sample sizes of success-run testing as engineering handbooks print them (from memory): 80/80, 90/90, 95/95."""
    assert zero_failure_prints(share, share) == n
    assert share**n <= 1 - share < share ** (n - 1)


def test_success_run_theorem_one_more_pair() -> None:
    assert zero_failure_prints(0.99, 0.95) == 299  # from memory, the usual attribute table
    assert zero_failure_prints(0.90, 0.95) == 29


def test_limits_of_a_share_are_those_of_scipy() -> None:
    for met, n in ((0, 6), (5, 6), (6, 6), (19, 22)):
        low, high = share_limits(met, n, 0.95)
        both = stats.binomtest(met, n).proportion_ci(0.90, method="exact")
        assert low == pytest.approx(both.low, abs=1e-9)
        assert high == pytest.approx(both.high, abs=1e-9)


def test_all_meeting_shows_the_root_of_what_is_left() -> None:
    assert share_limits(22, 22, 0.90)[0] == pytest.approx(0.10 ** (1 / 22))


def test_tail_limits_invert_the_tolerance_factor() -> None:
    for n, share in ((4, 0.8), (6, 0.9), (12, 0.99)):
        low, _ = tail_limits(one_sided_factor(n, share, 0.95), n, 0.95)
        assert low == pytest.approx(share, abs=1e-8)
        _, high = tail_limits(one_sided_factor(n, share, 0.05), n, 0.95)
        assert high == pytest.approx(share, abs=1e-8)


def test_tail_limits_far_out_are_certain() -> None:
    assert tail_limits(60.0, 6, 0.95) == (1.0, 1.0)
    low, high = tail_limits(-60.0, 6, 0.95)
    assert low == pytest.approx(0.0, abs=1e-12)
    assert high == pytest.approx(0.0, abs=1e-6)


@pytest.mark.slow
def test_tail_limits_cover(rng: np.random.Generator) -> None:
    """Of 4,000 samples of six, 95 % of the one-sided limits lie on the right side of the true share."""
    truth = stats.norm.cdf(1.2)
    below = above = 0
    for sample in rng.normal(1.2, 1.0, size=(4000, 6)):
        low, high = tail_limits(sample.mean() / sample.std(ddof=1), 6, 0.95)
        below += low <= truth
        above += high >= truth
    for hits in (below, above):
        assert stats.binomtest(hits, 4000, 0.95).pvalue > 0.001


@pytest.mark.parametrize("value", [0.0, 1.0, 95.0])
def test_percent_written_as_a_whole_number_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="must lie in 0 to 1"):
        zero_failure_prints(0.9, value)
    with pytest.raises(ValueError, match="must lie in 0 to 1"):
        one_sided_factor(5, value, 0.9)
