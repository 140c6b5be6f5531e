"""Integration along the correlations: more points change nothing, and the price is as foretold."""

from itertools import product

import numpy as np
import pytest

from kit.window.margins import Margin
from kit.window.plackett import path_cost, path_probability


def hard_cases(rng, n, q, rank):
    """Correlations from wide to singular, limits near and far, the first response two-sided."""
    loadings = rng.normal(size=(n, q, rank)) * 10.0 ** rng.uniform(-1.5, 0, size=(n, 1, rank))
    covariance = loadings @ loadings.transpose(0, 2, 1)
    sd = np.sqrt(np.einsum("nii->ni", covariance))
    lower = rng.normal(-0.5, 1.2, size=(n, q))
    upper = lower + np.exp(rng.normal(0.7, 0.8, size=(n, q)))
    upper[:, 1:] = np.inf
    return lower, upper, covariance / sd[:, :, None] / sd[:, None, :]


@pytest.mark.parametrize("df", [1.5, 8.0, np.inf])
@pytest.mark.parametrize(
    ("q", "rank", "n", "nodes", "many", "error"),
    [
        (2, 2, 2000, 32, 128, 1e-5),
        (3, 3, 1000, 32, 128, 2e-5),
        (3, 2, 1000, 32, 128, 6e-5),
        (4, 4, 60, 12, 40, 4e-4),
        (5, 5, 12, 12, 20, 4e-4),
    ],
)
def test_more_points_change_nothing(q, rank, n, nodes, many, error, df):
    lower, upper, R = hard_cases(np.random.default_rng(q + rank), n, q, rank)
    usual = path_probability(lower, upper, R, Margin(df), nodes)
    better = path_probability(lower, upper, R, Margin(df), many)
    assert np.abs(usual - better).max() < error


def test_rows_do_not_depend_on_their_neighbours():
    lower, upper, R = hard_cases(np.random.default_rng(9), 700, 3, 3)
    together = path_probability(lower, upper, R, Margin(5.0), 32)
    alone = [
        path_probability(lower[i : i + 1], upper[i : i + 1], R[i : i + 1], Margin(5.0), 32)[0]
        for i in range(0, 700, 70)
    ]
    np.testing.assert_allclose(together[::70], alone, rtol=0, atol=1e-14)


def test_turned_signs_are_the_same_rectangle():
    lower, upper, R = hard_cases(np.random.default_rng(4), 50, 3, 3)
    expected = path_probability(lower, upper, R, Margin(4.0), 32)
    for signs in product((1, -1), repeat=3):
        s = np.array(signs)
        low, high = np.where(s > 0, lower, -upper), np.where(s > 0, upper, -lower)
        turned = path_probability(low, high, R * np.outer(s, s), Margin(4.0), 32)
        np.testing.assert_allclose(turned, expected, atol=1e-5)


def test_cost_is_counted_as_it_is_spent(monkeypatch):
    spent = 0
    kernel = Margin.kernel

    def counting(self, quadratic_form):
        nonlocal spent
        spent += quadratic_form.size
        return kernel(self, quadratic_form)

    monkeypatch.setattr(Margin, "kernel", counting)
    lower, upper, R = hard_cases(np.random.default_rng(2), 1, 4, 4)
    path_probability(lower, upper, R, Margin(5.0), 12)
    assert spent == path_cost([2, 1, 1, 1], 12)
