"""Rectangle probabilities against published results, a reference library and plain simulation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from kit.window.rectangle import normal_rectangle, student_copula_rectangle, student_rectangle

INF = np.inf
DFS = [0.7, 1.0, 4.0, 11.5, 200.0, INF]
ERROR = {1: 1e-9, 2: 2e-5, 3: 1e-4, 4: 5e-4, 5: 1e-3, 6: 5e-3}  # twice the largest seen, or more


def equal_correlation(q, r):
    return np.full((q, q), r) + (1 - r) * np.eye(q)


def random_correlation(rng, q, extra=0.3):
    loadings = np.hstack([rng.normal(size=(q, q)), np.sqrt(extra) * np.eye(q)])
    covariance = loadings @ loadings.T
    sd = np.sqrt(np.diag(covariance))
    return covariance / np.outer(sd, sd)


# --- published results -----------------------------------------------------------------------


@pytest.mark.parametrize("df", DFS)
@pytest.mark.parametrize("r", [-1.0, -0.999999, -0.9, -0.3, 0.0, 0.5, 0.95, 0.9999999, 1.0])
def test_quadrant_of_two_responses(r, df):
    # W. F. Sheppard (1899); the same for every elliptical distribution, so for every df.
    result = student_rectangle([0, 0], [INF, INF], [[1, r], [r, 1]], df)
    np.testing.assert_allclose(result, 0.25 + np.arcsin(r) / (2 * np.pi), atol=1e-7)


@pytest.mark.parametrize("df", DFS)
def test_octant_of_three_responses(df, rng):
    # 1/8 + (sum of asin r) / (4 pi), for example Kotz, Balakrishnan & Johnson (2000), Continuous
    # Multivariate Distributions, chapter 45 (formula from memory).
    R = np.array([random_correlation(rng, 3, extra) for extra in (0, 0, 0.01, 0.3, 3.0) * 20])
    r = np.clip([R[:, 0, 1], R[:, 0, 2], R[:, 1, 2]], -1, 1)
    result = student_rectangle([-INF] * 3, [0] * 3, R, df)
    np.testing.assert_allclose(result, 1 / 8 + np.arcsin(r).sum(axis=0) / (4 * np.pi), atol=1e-7)


@pytest.mark.parametrize("df", [1.0, 7.0, INF])
@pytest.mark.parametrize("q", [2, 3, 4, 5, 6])
def test_orthant_of_equally_correlated_responses(q, df):
    # With every correlation 1/2 each response is X_j - X_0 over its spread: X_0 is the least of q + 1.
    result = student_rectangle([0] * q, [INF] * q, equal_correlation(q, 0.5), df)
    np.testing.assert_allclose(result, 1 / (q + 1), atol=5e-5)


@pytest.mark.parametrize(
    ("q", "one_sided", "two_sided"),
    [(2, 2.03, 2.38), (3, 2.19, 2.54), (4, 2.30, 2.65), (5, 2.39, 2.73), (6, 2.46, 2.80)],
)
def test_critical_values_of_comparisons_with_a_control(q, one_sided, two_sided):
    # Dunnett (1955), J. Am. Stat. Assoc. 50, 1096-1121, and (1964), Biometrics 20, 482-491: 5 %,
    # 20 degrees of freedom (printed values from memory, two decimals; hence the half unit).
    R = equal_correlation(q, 0.5)
    for limit, lower in ((one_sided, -INF), (two_sided, None)):
        low, high = limit - 0.0055, limit + 0.0055
        least = student_rectangle([-low if lower is None else lower] * q, [low] * q, R, 20)[0]
        most = student_rectangle([-high if lower is None else lower] * q, [high] * q, R, 20)[0]
        assert least < 0.95 < most


# --- reference library -----------------------------------------------------------------------


@pytest.mark.parametrize("q", [2, 3, 4])
def test_normal_agrees_with_the_reference_library(q, rng):
    for _ in range(6):
        R = random_correlation(rng, q)
        lower, upper = rng.normal(-1, 1, size=q), rng.normal(1.5, 0.5, size=q)
        upper[0] = INF
        lower = np.minimum(lower, upper - 0.2)
        expected = stats.multivariate_normal.cdf(
            upper,
            np.zeros(q),
            R,
            lower_limit=lower,
            maxpts=300_000,
            abseps=1e-6,
            releps=1e-6,
            rng=1,
        )
        result = normal_rectangle(lower, upper, R)
        np.testing.assert_allclose(result, expected, atol=ERROR[q])


@pytest.mark.parametrize("df", [1.6, 9.0])
@pytest.mark.parametrize("q", [2, 3, 4])
def test_student_agrees_with_the_reference_library(q, df, rng):
    for _ in range(2):
        R = random_correlation(rng, q)
        lower, upper = rng.normal(-1.5, 0.5, size=q), rng.normal(1.5, 0.5, size=q)
        expected = stats.multivariate_t.cdf(
            upper, np.zeros(q), R, df=df, lower_limit=lower, maxpts=100_000, random_state=1
        )
        result = student_rectangle(lower, upper, R, df)
        np.testing.assert_allclose(result, expected, atol=ERROR[q])


@pytest.mark.parametrize("df", [2.5, 15.0])
def test_one_response_is_the_ordinary_t(df):
    lower, upper = np.array([[-1.0], [-INF], [40.0]]), np.array([[2.0], [0.3], [INF]])
    expected = [
        stats.t.cdf(2, df) - stats.t.cdf(-1, df),
        stats.t.cdf(0.3, df),
        stats.t.sf(40, df),
    ]
    np.testing.assert_allclose(student_rectangle(lower, upper, [[1]], df), expected, rtol=1e-9)


@pytest.mark.parametrize("q", [2, 3, 4, 5, 6])
@pytest.mark.parametrize("df", [3.0, INF])
def test_agrees_with_plain_simulation(q, df, rng):
    draws = 400_000
    R = random_correlation(rng, q, extra=1.0)
    z = rng.standard_normal((draws, q)) @ np.linalg.cholesky(R).T
    if np.isfinite(df):
        z /= np.sqrt(rng.chisquare(df, size=draws) / df)[:, None]
    lower, upper = np.full(q, -1.0), np.full(q, 1.8)
    upper[::2] = INF
    seen = ((lower < z) & (z < upper)).all(axis=1).mean()
    result = student_rectangle(lower, upper, R, df)[0]
    assert abs(seen - result) < 4.5 * np.sqrt(result * (1 - result) / draws) + ERROR[q] / 2


def test_third_response_determined_by_two_others():
    # y3 = 0.6 y1 + 0.8 y2 exactly: the rectangle is a strip of the plane, summed finely over y1.
    a, b = 0.6, 0.8
    R = [[1, 0, a], [0, 1, b], [a, b, 1]]
    lower, upper = [-0.7, -1.1, -0.4], [1.3, 0.9, 1.0]
    y1 = np.linspace(lower[0], upper[0], 200_001)
    low = np.maximum(lower[1], (lower[2] - a * y1) / b)
    high = np.minimum(upper[1], (upper[2] - a * y1) / b)
    inside = np.maximum(stats.norm.cdf(high) - stats.norm.cdf(low), 0) * stats.norm.pdf(y1)
    result = normal_rectangle(lower, upper, R)
    np.testing.assert_allclose(result, np.trapezoid(inside, y1), atol=5e-5)


@pytest.mark.parametrize("df", [2.0, INF])
@pytest.mark.parametrize("q", [2, 3, 4, 5])
def test_responses_that_are_one_and_the_same(q, df):
    signs = np.where(np.arange(q) % 2, -1.0, 1.0)
    lower, upper = np.linspace(-1.5, -1.0, q), np.linspace(1.0, 1.5, q)
    low, high = np.where(signs > 0, lower, -upper), np.where(signs > 0, upper, -lower)
    result = student_rectangle(low, high, np.outer(signs, signs), df)
    expected = stats.t.cdf(upper.min(), df) - stats.t.cdf(lower.max(), df)
    np.testing.assert_allclose(result, expected, atol=1e-6 if q < 5 else 2e-3)


# --- what must always hold -------------------------------------------------------------------


@st.composite
def problems(draw, most=4):
    """Limits (n, q), a correlation matrix, degrees of freedom."""
    q, n = draw(st.integers(1, most)), draw(st.integers(1, 5))
    number = st.floats(-4, 4, allow_nan=False)
    loadings = draw(arrays(float, (q, q + 1), elements=number))
    covariance = loadings @ loadings.T + 1e-3 * np.eye(q)
    sd = np.sqrt(np.diag(covariance))
    limit = st.one_of(number, st.just(INF), st.just(-INF))
    lower = draw(arrays(float, (n, q), elements=limit))
    upper = draw(arrays(float, (n, q), elements=limit))
    df = draw(st.one_of(st.floats(0.5, 500), st.just(INF)))
    return lower, upper, covariance / np.outer(sd, sd), df


@given(problems())
@settings(deadline=None, max_examples=40)
def test_frechet_bounds_and_empty_rectangles(problem):
    lower, upper, R, df = problem
    result = student_rectangle(lower, upper, R, df)
    alone = np.maximum(stats.t.cdf(upper, df) - stats.t.cdf(lower, df), 0)
    assert (result <= alone.min(axis=1) + 1e-12).all()
    assert (result >= np.maximum(alone.sum(axis=1) - alone.shape[1] + 1, 0) - 1e-12).all()
    assert (result[(lower >= upper).any(axis=1)] == 0).all()


@given(problems(), st.randoms(use_true_random=False))
@settings(deadline=None, max_examples=25)
def test_order_of_responses_does_not_matter(problem, random):
    lower, upper, R, df = problem
    order = list(range(len(R)))
    random.shuffle(order)
    turned = student_rectangle(lower[:, order], upper[:, order], R[np.ix_(order, order)], df)
    np.testing.assert_allclose(
        turned, student_rectangle(lower, upper, R, df), atol=ERROR[len(R)], rtol=0
    )


@given(problems(), st.floats(0, 3), st.integers(0, 3))
@settings(deadline=None, max_examples=25)
def test_wider_limits_never_hold_less(problem, more, which):
    lower, upper, R, df = problem
    wider_lower, wider_upper = lower.copy(), upper.copy()
    wider_lower[:, which % len(R)] -= more
    wider_upper[:, (which + 1) % len(R)] += more
    before = student_rectangle(lower, upper, R, df)
    after = student_rectangle(wider_lower, wider_upper, R, df)
    assert (after >= before - ERROR[len(R)]).all()


@given(problems())
@settings(deadline=None, max_examples=25)
def test_without_other_limits_one_response_keeps_its_own_probability(problem):
    lower, upper, R, df = problem
    lower[:, 1:], upper[:, 1:] = -INF, INF
    expected = np.maximum(stats.t.cdf(upper[:, 0], df) - stats.t.cdf(lower[:, 0], df), 0)
    np.testing.assert_allclose(student_rectangle(lower, upper, R, df), expected, atol=1e-12)


@given(problems())
@settings(deadline=None, max_examples=25)
def test_rows_and_matrices_are_handled_one_by_one(problem):
    lower, upper, R, df = problem
    together = student_rectangle(lower, upper, np.repeat(R[None], len(lower), axis=0), df)
    alone = [student_rectangle(low, high, R, df)[0] for low, high in zip(lower, upper, strict=True)]
    np.testing.assert_allclose(together, alone, atol=1e-12)


@given(problems())
@settings(deadline=None, max_examples=25)
def test_copula_of_equal_margins_is_the_multivariate_t(problem):
    lower, upper, R, df = problem
    result = student_copula_rectangle(stats.t.cdf(lower, df), stats.t.cdf(upper, df), R, df)
    np.testing.assert_allclose(result, student_rectangle(lower, upper, R, df), atol=1e-7)


@pytest.mark.parametrize("q", [5, 6])
def test_order_and_signs_of_many_responses(q, rng):
    R = random_correlation(rng, q, extra=1.0)
    lower, upper = rng.normal(-1.5, 0.4, size=(20, q)), rng.normal(1.7, 0.4, size=(20, q))
    expected = student_rectangle(lower, upper, R, 6)
    order = rng.permutation(q)
    turned = student_rectangle(-upper[:, order], -lower[:, order], R[np.ix_(order, order)], 6)
    np.testing.assert_allclose(turned, expected, atol=1.5e-3)


def test_joint_probability_of_unrelated_normal_responses_is_the_product():
    lower, upper = [-1.0, -0.5, -2.0, -INF], [1.0, INF, 0.4, 0.8]
    expected = np.prod(stats.norm.cdf(upper) - stats.norm.cdf(lower))
    np.testing.assert_allclose(normal_rectangle(lower, upper, np.eye(4)), expected, atol=1e-4)


def test_correlation_raises_the_chance_of_two_lower_limits():
    chances = [
        normal_rectangle([-0.5, -0.5], [INF, INF], [[1, r], [r, 1]])[0]
        for r in np.linspace(-1, 1, 21)
    ]
    assert (np.diff(chances) > 0).all()


def test_copula_keeps_each_margin():
    lower_p, upper_p = (
        [[0.1, 0.0], [0.2, 0.0], [0.0, 0.3]],
        [[0.95, 1.0], [1.0, 1.0], [1.0, 0.3001]],
    )
    result = student_copula_rectangle(lower_p, upper_p, equal_correlation(2, 0.7), 5)
    np.testing.assert_allclose(result, [0.85, 0.8, 0.0001], atol=1e-12)


def test_limits_far_away_and_limits_that_touch():
    lower = [[1e300, -1e300, 0], [-1e200, -1e200, -1.0], [0.3, -1, -1], [-INF] * 3]
    upper = [[INF, 1e300, 1], [1e200, 1e200, 1.0], [0.3, 1, 1], [INF] * 3]
    expected = [0, stats.t.cdf(1, 3) - stats.t.cdf(-1, 3), 0, 1]
    result = student_rectangle(lower, upper, equal_correlation(3, 0.4), 3.0)
    np.testing.assert_allclose(result, expected, atol=1e-6)


def test_equal_input_gives_equal_output_and_no_settings_give_none():
    lower, R = np.full((3, 6), -1.0), equal_correlation(6, 0.2)
    first, second = (student_rectangle(lower, lower + 3, R, 7) for _ in range(2))
    np.testing.assert_array_equal(first, second)
    assert normal_rectangle(np.zeros((0, 3)), np.ones((0, 3)), np.eye(3)).shape == (0,)


# --- bad input -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lower", "upper", "correlation", "df", "text"),
    [
        (
            [np.nan, 0],
            [1, 1],
            np.eye(2),
            5,
            r"lower must be a number, .* got nan at index \(0, 0\)",
        ),
        (
            [0, 0],
            [1, np.nan],
            np.eye(2),
            5,
            r"upper must be a number, .* got nan at index \(0, 1\)",
        ),
        ([0, 0], [1, 1, 1], np.eye(2), 5, "one column a response"),
        ([0, 0], [1, 1], np.eye(3), 5, r"got shapes \(2,\), \(2,\) and \(3, 3\)"),
        (np.zeros((3, 2)), np.ones((4, 2)), np.eye(2), 5, "one row a setting"),
        (np.zeros((3, 2)), np.ones((3, 2)), np.ones((2, 2, 2)), 5, "one row a setting"),
        ([0] * 7, [1] * 7, np.eye(7), 5, "1 to 6 responses are allowed, got 7"),
        ([0, 0], [1, 1], np.eye(2), 0, "df must be above 0"),
        ([0, 0], [1, 1], np.eye(2), np.nan, "df must be above 0"),
        ([0, 0], [1, 1], [[1, 0.5], [0.2, 1]], 5, r"correlation\[0\] is not a correlation matrix"),
        ([0, 0], [1, 1], [[2, 0], [0, 1]], 5, "1 on the diagonal"),
        ([0, 0], [1, 1], [[1, 1.2], [1.2, 1]], 5, "-1 to 1 beside it"),
        ([0, 0], [1, 1], [[1, np.nan], [np.nan, 1]], 5, "not a correlation matrix"),
        ([0] * 3, [1] * 3, equal_correlation(3, -0.8), 5, "no negative eigenvalue"),
    ],
)
def test_bad_input_is_refused_with_its_place(lower, upper, correlation, df, text):
    with pytest.raises(ValueError, match=text):
        student_rectangle(lower, upper, correlation, df)


def test_unknown_lattice_and_bad_probabilities_are_refused():
    with pytest.raises(ValueError, match="points must be one of 509, 1021, 2039, 4093, 8191"):
        normal_rectangle([0], [1], [[1]], points=1000)
    with pytest.raises(ValueError, match=r"upper_p must be probabilities in 0 to 1, got 1\.2"):
        student_copula_rectangle([0.1, 0.2], [0.9, 1.2], np.eye(2), 5)
    with pytest.raises(ValueError, match=r"lower_p .* got nan"):
        student_copula_rectangle([0.1, np.nan], [0.9, 1], np.eye(2), 5)
