"""The lattice: its generators, and its results against the integration along the correlations."""

from itertools import pairwise

import numpy as np
import pytest

from kit.window.conditioning import GENERATORS, lattice_probability
from kit.window.margins import Margin
from kit.window.plackett import path_probability


def worst_case(points, generator, dimensions=6, weight=0.3):
    """P_2 of a Korobov lattice: squared worst-case error over smooth periodic functions."""
    k = np.arange(points)
    product = np.ones(points)
    for d in range(dimensions):
        x = k * pow(generator, d, points) % points / points
        product *= 1 + weight * 2 * np.pi**2 * (x * x - x + 1 / 6)
    return product.mean() - 1


@pytest.mark.parametrize("points", [509, 1021])
def test_generators_are_the_best_of_all(points):
    best = min(worst_case(points, g) for g in range(2, points // 2 + 1))
    assert worst_case(points, GENERATORS[points]) == pytest.approx(best, rel=1e-9)


def test_more_points_make_a_better_lattice():
    errors = [worst_case(points, g) for points, g in sorted(GENERATORS.items())]
    assert all(later < 0.45 * earlier for earlier, later in pairwise(errors))


def correlated(rng, n, q):
    loadings = np.concatenate(
        [rng.normal(size=(n, q, 2)), np.broadcast_to(1.2 * np.eye(q), (n, q, q))], axis=2
    )
    covariance = loadings @ loadings.transpose(0, 2, 1)
    sd = np.sqrt(np.einsum("nii->ni", covariance))
    return covariance / sd[:, :, None] / sd[:, None, :]


@pytest.mark.parametrize("df", [3.0, 11.5, np.inf])
@pytest.mark.parametrize(("q", "n", "nodes"), [(3, 200, 32), (4, 60, 16), (5, 20, 12), (6, 2, 12)])
def test_agrees_with_the_integration_along_the_correlations(q, n, nodes, df):
    rng = np.random.default_rng(q)
    R = correlated(rng, n, q)
    lower = rng.normal(-1.0, 0.7, size=(n, q))
    upper = np.full((n, q), np.inf)
    upper[:, 0] = lower[:, 0] + 2.5
    lattice = lattice_probability(lower, upper, R, df, 2039)
    path = path_probability(lower, upper, R, Margin(df), nodes)
    np.testing.assert_allclose(lattice, path, atol=7e-4)
    assert np.sqrt(np.mean((lattice - path) ** 2)) < 2e-4


def test_singular_correlations_are_eased():
    # The third response is the sum of the first two, scaled to standard deviation 1.
    half = np.sqrt(0.5)
    R = np.array(
        [
            [
                [1, 0, half, 0.2],
                [0, 1, half, 0.1],
                [half, half, 1, 0.3 * half],
                [0.2, 0.1, 0.3 * half, 1],
            ]
        ]
    )
    lower, upper = np.full((1, 4), -1.0), np.full((1, 4), 1.4)
    lattice = lattice_probability(lower, upper, R, np.inf, 8191)
    path = path_probability(lower, upper, R, Margin(np.inf), 24)
    np.testing.assert_allclose(lattice, path, atol=1e-3)


def test_one_matrix_for_all_equals_one_each():
    rng = np.random.default_rng(3)
    R = correlated(rng, 1, 5)
    lower = rng.normal(-1.5, 0.5, size=(90, 5))
    upper = lower + 3.0
    shared = lattice_probability(lower, upper, R, 6.0, 509)
    each = lattice_probability(lower, upper, np.repeat(R, 90, axis=0), 6.0, 509)
    np.testing.assert_array_equal(shared, each)
