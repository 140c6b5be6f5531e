"""How responses miss together, from cross-products, equals what the rows themselves say."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.model.pool_together import JointProducts, joint_products, print_correlation


def rows(
    rng: np.random.Generator, printers: int, n: int, rho: float
) -> list[tuple[np.ndarray, ...]]:
    """Invented prints of two responses that go together by ``rho`` between prints and against each other between printers."""
    found = []
    for _ in range(printers):
        X = np.column_stack([np.ones(n), rng.uniform(-1, 1, n)])
        shift = 5 * rng.normal() * np.array([1.0, -1.0])
        noise = rng.multivariate_normal([0, 0], [[1, rho], [rho, 1]], n)
        found.append((X, X @ np.array([[1.0, 2.0], [3.0, 1.0]]) + shift + noise))
    return found


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**31), st.floats(-0.9, 0.9))
def test_equals_the_residuals_of_all_rows(seed: int, rho: float) -> None:
    """Reference: numpy's least squares with a column for each printer, and its correlation of the residuals."""
    data = rows(np.random.default_rng(seed), 4, 9, rho)
    correlation, df = print_correlation([joint_products(X, Y) for X, Y in data], [0])
    printers = np.kron(np.eye(4), np.ones((9, 1)))
    X = np.hstack([printers, np.vstack([X[:, 1:] for X, _ in data])])
    Y = np.vstack([Y for _, Y in data])
    left = Y - X @ np.linalg.lstsq(X, Y, rcond=None)[0]
    wanted = left.T @ left
    assert correlation[0, 1] == pytest.approx(wanted[0, 1] / np.sqrt(wanted[0, 0] * wanted[1, 1]))
    assert df == 4 * 9 - 4 - 1


def test_differences_between_printers_do_not_count_as_going_together() -> None:
    data = rows(np.random.default_rng(1), 5, 40, 0.7)
    correlation, _ = print_correlation([joint_products(X, Y) for X, Y in data], [0])
    assert correlation[0, 1] == pytest.approx(
        0.7, abs=0.12
    )  # with the printers left in it is negative


def test_too_few_prints_tell_nothing() -> None:
    X, Y = np.ones((2, 1)), np.array([[1.0, 2.0], [2.0, 4.0]])
    correlation, df = print_correlation([joint_products(X, Y)] * 3, [0])
    assert df == 3
    assert (correlation == np.eye(2)).all()


def test_prints_may_come_in_parts(rng: np.random.Generator) -> None:
    X, Y = rng.normal(size=(8, 3)), rng.normal(size=(8, 2))
    parts = joint_products(X[:3], Y[:3]) + joint_products(X[3:], Y[3:])
    whole = joint_products(X, Y)
    for name in JointProducts.__dataclass_fields__:
        assert getattr(parts, name) == pytest.approx(getattr(whole, name))
