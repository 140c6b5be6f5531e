"""One response: against scipy.stats (reference library)."""

import numpy as np
import pytest
from scipy import stats

from kit.window.margins import Margin, interval_probability, student_quantile

DFS = [0.6, 1.0, 1.7, 2.0, 5.0, 33.3, 1e5, np.inf]


@pytest.mark.parametrize("df", DFS)
def test_interval_agrees_with_the_distribution_function(df):
    lower, upper = (
        np.array([-np.inf, -2.0, -0.3, 1.0, -np.inf]),
        np.array([0.7, 1.5, np.inf, 1.2, np.inf]),
    )
    expected = stats.t.cdf(upper, df) - stats.t.cdf(lower, df)
    np.testing.assert_allclose(interval_probability(lower, upper, df), expected, atol=1e-14)


def test_upper_tail_keeps_its_digits():
    tail = interval_probability(np.array([9.0]), np.array([np.inf]), np.inf)
    np.testing.assert_allclose(tail, stats.norm.sf(9.0), rtol=1e-12)
    tail = interval_probability(np.array([300.0]), np.array([np.inf]), 12.0)
    np.testing.assert_allclose(tail, stats.t.sf(300.0, 12.0), rtol=1e-9)


def test_crossed_limits_hold_nothing():
    crossed = interval_probability(np.array([1.0, 2.0]), np.array([1.0, -2.0]), 4.0)
    np.testing.assert_array_equal(crossed, 0.0)


@pytest.mark.parametrize("df", DFS)
def test_fast_distribution_function_is_within_1e_9(df):
    x = np.concatenate(
        [-np.logspace(-12, 8, 4000), np.logspace(-12, 8, 4000), [0, np.inf, -np.inf]]
    )
    np.testing.assert_allclose(Margin(df).cdf(x), stats.t.cdf(x, df), rtol=0, atol=1e-9)


@pytest.mark.parametrize("df", DFS)
def test_quantile_is_the_inverse_and_infinite_at_the_ends(df):
    p = np.array([1e-12, 0.01, 0.5, 0.8, 1 - 1e-9])
    np.testing.assert_allclose(stats.t.cdf(student_quantile(p, df), df), p, rtol=1e-7)
    ends = student_quantile(np.array([0.0, 1.0]), df)
    np.testing.assert_array_equal(ends, [-np.inf, np.inf])


@pytest.mark.parametrize("df", DFS)
def test_quantile_of_a_tiny_probability_is_far_down(df):
    assert student_quantile(np.array([1e-300]), df)[0] < -8


def test_kernel_of_many_degrees_of_freedom_is_the_normal_one():
    q = np.linspace(0, 20, 50)
    kernel, spread = Margin(1e7).kernel(q)
    np.testing.assert_allclose(kernel, Margin(np.inf).kernel(q)[0], atol=1e-7)
    np.testing.assert_allclose(spread, 1.0, atol=1e-5)
