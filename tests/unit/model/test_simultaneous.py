"""Joint limits of several differences, against reference libraries and exact limits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from kit.model.simultaneous import (
    against_one_factor,
    against_one_p,
    all_pairs_factor,
    all_pairs_p,
)


def groups(rng: np.random.Generator, sizes: list[int]) -> list[np.ndarray]:
    return [rng.normal(0.6 * i, 1, n) for i, n in enumerate(sizes)]


def pooled(parts: list[np.ndarray]) -> tuple[float, int]:
    df = sum(len(p) - 1 for p in parts)
    return sum(float(((p - p.mean()) ** 2).sum()) for p in parts) / df, df


@pytest.mark.parametrize("sizes", [[6, 6, 6], [4, 7, 5, 6]])
def test_many_against_one_agrees_with_a_reference_library(
    sizes: list[int], rng: np.random.Generator
) -> None:
    parts = groups(rng, sizes)
    s2, df = pooled(parts)
    variance = np.array([s2 / len(p) for p in parts])
    error = np.sqrt(variance[1:] + variance[0])
    t = np.array([p.mean() - parts[0].mean() for p in parts[1:]]) / error
    found = against_one_p(t, variance[0] / error**2, np.full(len(t), df))
    want = stats.dunnett(*parts[1:], control=parts[0], random_state=1)
    np.testing.assert_allclose(found, want.pvalue, atol=2e-3)
    reach = against_one_factor(variance[0] / error**2, [df]) * error
    low = want.confidence_interval(0.95).low
    np.testing.assert_allclose(t * error - reach, low, atol=5e-3)


@pytest.mark.parametrize(("levels", "df", "printed"), [(2, 10, 2.57), (3, 20, 2.54), (4, 30, 2.58)])
def test_many_against_one_meets_the_printed_table(levels: int, df: int, printed: float) -> None:
    # Two-sided 5 % points for equal groups, table of Dunnett (1964), from memory.
    assert against_one_factor([0.5] * levels, [df])[0] == pytest.approx(printed, abs=0.006)


def test_one_difference_is_students_t() -> None:
    want = stats.t.ppf(0.975, 12)
    assert against_one_factor([0.5], [12])[0] == pytest.approx(want)
    assert all_pairs_factor(2, [12])[0] == pytest.approx(want, rel=1e-6)
    p = 2 * stats.t.sf(1.7, 12)
    assert against_one_p([1.7], [0.5], [12])[0] == pytest.approx(p, abs=1e-4)
    assert all_pairs_p([-1.7], 2, [12])[0] == pytest.approx(p, abs=1e-6)


def test_all_pairs_agree_with_tukey(rng: np.random.Generator) -> None:
    parts = groups(rng, [5, 5, 5, 5])
    s2, df = pooled(parts)
    t = (parts[2].mean() - parts[0].mean()) / np.sqrt(2 * s2 / 5)
    want = stats.tukey_hsd(*parts).pvalue[0, 2]
    assert all_pairs_p([t], 4, [df])[0] == pytest.approx(want, abs=1e-6)
