"""All requirements at once on a new printer, and how well that is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats

from kit.model.pool_draws import PoolDraws
from kit.window.pooled_chance import Foretold, joint_chance, possible_chances

LIMITS = {"a": (0.0, np.inf), "b": (-np.inf, 1.0)}


def foretold(mean: float, own: float, df: float) -> Foretold:
    return Foretold(np.array([mean]), np.array([1.0]), np.array([df]), np.array([own]))


def test_one_requirement_keeps_its_student_chance() -> None:
    found = joint_chance({"a": foretold(0.7, 0.8, 5.0)}, {"a": LIMITS["a"]}, np.eye(1))
    assert found == pytest.approx(special.stdtr(5.0, 0.7))


def test_without_correlation_it_is_the_product() -> None:
    both = {"a": foretold(0.7, 0.8, 5.0), "b": foretold(0.2, 0.9, 9.0)}
    wanted = special.stdtr(5.0, 0.7) * special.stdtr(9.0, 0.8)
    assert joint_chance(both, LIMITS, np.eye(2)) == pytest.approx(wanted, abs=1e-5)


def test_only_the_scatter_of_prints_goes_together() -> None:
    """Reference: scipy's bivariate normal, its correlation that of the prints times both shares."""
    rho, own = -0.8, (0.8, 0.5)
    both = {"a": foretold(0.7, own[0], 1e9), "b": foretold(0.2, own[1], 1e9)}
    whole = rho * own[0] * own[1]
    # P(A > 0, B < 1) = P(-Z_a < 0.7, Z_b < 0.8), and -Z_a goes the other way.
    wanted = stats.multivariate_normal.cdf([0.7, 0.8], cov=[[1, -whole], [-whole, 1]])
    found = joint_chance(both, LIMITS, np.array([[1, rho], [rho, 1]]))
    assert found == pytest.approx(wanted, abs=1e-4)


def test_what_is_open_is_counted_draw_by_draw() -> None:
    """With one known truth the limits close on the chance; the share of printers follows from the normal."""
    draws = {"a": PoolDraws(np.full((20_000, 1), 1.0), np.tile([0.25, 0.16], (20_000, 1)), (0,))}
    found = possible_chances(
        np.ones(1), draws, {"a": LIMITS["a"]}, {"a": 0.09}, np.eye(1), 0.9, np.random.default_rng(1)
    )
    assert (found.low, found.high) == pytest.approx([special.ndtr(1 / np.sqrt(0.5))] * 2)
    # A printer u reaches 0.9 where 1 + u >= 0.5 * z(0.9).
    assert found.reaching == pytest.approx(
        special.ndtr((1 - 0.5 * special.ndtri(0.9)) / 0.5), abs=0.01
    )
    worst = special.ndtr((1 + 0.5 * special.ndtri(0.1)) / 0.5)
    assert found.tenth == pytest.approx(worst, abs=0.01)
    assert found.between["a"] == pytest.approx((0.5, 0.5))
