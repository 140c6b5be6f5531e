"""What prints leave possible of the chance to come out: exact Beta posteriors, a plain grid, separated failures."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats

from kit.model.penalised import fit_penalised, penalised_log_likelihood
from kit.model.success import fit_success
from kit.model.success_posterior import KEPT, possible_coefficients
from kit.terms import CodedFactor, Coding


def chances(X: np.ndarray, y: np.ndarray, row: list[float]) -> np.ndarray:
    draws = possible_coefficients(X, y, fit_penalised(X, y), np.random.default_rng(1))
    assert draws.shape == (KEPT, X.shape[1])
    return special.expit(draws @ np.array(row))


@pytest.mark.parametrize(("prints", "passed"), [(5, 5), (10, 9), (20, 20), (30, 15), (12, 0)])
def test_one_setting_is_the_beta_of_jeffreys(prints: int, passed: int) -> None:
    # Beta(k + 1/2, n - k + 1/2): Jeffreys' prior of a proportion (Brown, Cai & DasGupta, Stat. Sci. 16, 2001, 101-133).
    y = np.r_[np.ones(passed), np.zeros(prints - passed)]
    found = chances(np.ones((prints, 1)), y, [1.0])
    beta = stats.beta(passed + 0.5, prints - passed + 0.5)
    assert found.mean() == pytest.approx(beta.mean(), abs=5e-4)
    for level in (0.025, 0.5, 0.975):
        assert np.quantile(found, level) == pytest.approx(beta.ppf(level), abs=0.006)


def test_a_normal_curve_around_the_fit_would_call_sure_success_too_doubtful() -> None:
    # Ten of ten passed: 0.955 by the posterior; the log odds taken as normal, integrated by Gauss-Hermite, say 0.905.
    X, y = np.ones((10, 1)), np.ones(10)
    b = fit_penalised(X, y)[0]
    p = special.expit(b)
    nodes, weights = np.polynomial.hermite_e.hermegauss(60)
    normal = weights @ special.expit(b + nodes / np.sqrt(10 * p * (1 - p))) / weights.sum()
    assert normal == pytest.approx(0.905, abs=0.002)
    assert chances(X, y, [1.0]).mean() == pytest.approx(10.5 / 11, abs=5e-4)


@pytest.mark.parametrize("passed", [(6, 6), (6, 3), (6, 0), (2, 5)])
def test_two_settings_are_two_betas(passed: tuple[int, int]) -> None:
    X = np.column_stack([np.ones(12), np.repeat([-1.0, 1.0], 6)])
    y = np.concatenate([np.r_[np.ones(k), np.zeros(6 - k)] for k in passed])
    for side, k in zip((-1.0, 1.0), passed, strict=True):
        found, beta = chances(X, y, [1.0, side]), stats.beta(k + 0.5, 6.5 - k)
        assert found.mean() == pytest.approx(beta.mean(), abs=0.006)
        assert found.std() == pytest.approx(beta.std(), rel=0.07)


def test_three_settings_by_a_plain_grid() -> None:
    X = np.column_stack([np.ones(15), np.repeat([-1.0, 0.0, 1.0], 5)])
    y = np.array([1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 1, 1, 0, 0, 1.0])
    a, b = np.meshgrid(np.linspace(-6, 14, 161), np.linspace(-14, 6, 161), indexing="ij")
    cells = np.column_stack([a.ravel(), b.ravel()])
    log = np.array([penalised_log_likelihood(X, y, c) for c in cells])
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    for row in ([1.0, -1.0], [1.0, 0.5], [1.0, 1.0]):
        want = float(weight @ special.expit(cells @ np.array(row)))
        assert chances(X, y, row).mean() == pytest.approx(want, abs=0.006)


def test_cleanly_parted_failures_agree_with_a_long_chain() -> None:
    # Six coefficients, twenty prints, all failures beyond one setting: 0.994, 0.299 and 0.996 by 200 chains of 4,500 steps
    # (random-walk Metropolis on the same posterior, made once with numpy).
    rng = np.random.default_rng(1)
    X = np.column_stack([np.ones(20), rng.uniform(-1, 1, (20, 5))])
    y = (X[:, 1] < 0.5).astype(float)
    rows = ([1, 0, 0, 0, 0, 0], [1, 0.8, 0.5, 0, 0, 0], [1, -1, 0, 1, 0, 0])
    found = [chances(X, y, [float(v) for v in row]).mean() for row in rows]
    np.testing.assert_allclose(found, [0.9938, 0.2986, 0.9963], atol=0.06)


def test_the_same_prints_give_the_same_draws_and_a_smooth_chance() -> None:
    coding = Coding((CodedFactor("x", -1.0, 1.0),))
    coded = np.repeat([-1.0, 0.0, 1.0], 6)[:, None]
    y = np.array([1.0] * 14 + [0] * 4)
    one, two = fit_success(coding, coded, y, seed=5), fit_success(coding, coded, y, seed=5)
    at = np.linspace(-1, 1, 401)[:, None]
    np.testing.assert_array_equal(one.expected(at), two.expected(at))
    assert (np.diff(one.expected(at)) < 0).all()
    assert np.abs(np.diff(one.expected(at), 2)).max() < 1e-4


@pytest.mark.slow
def test_expected_chances_are_calibrated(rng: np.random.Generator) -> None:
    """Stated against true chances in bins, within 0.03 and two standard errors.

    Truths: log odds N(0, 3^2) in the middle, straight effects N(0, 2.5^2), wide as Jeffreys' prior is. Where chances hardly differ
    by setting, the extreme ones are stated too extreme by up to 0.1, as any flat prior does.
    """
    coding = Coding((CodedFactor("x", -1.0, 1.0), CodedFactor("y", -1.0, 1.0)))
    corners = np.array([[a, b] for a in (-1, 0, 1) for b in (-1, 0, 1)] * 2, dtype=float)
    stated, true = [], []
    for _ in range(600):
        b = rng.normal(0, [3, 2.5, 2.5])
        p = special.expit(b[0] + corners @ b[1:])
        found = fit_success(coding, corners, (rng.uniform(size=len(p)) < p).astype(float))
        at = rng.uniform(-1, 1, (6, 2))
        stated.append(found.expected(at))
        true.append(special.expit(b[0] + at @ b[1:]))
    stated, off = np.concatenate(stated), np.concatenate(stated) - np.concatenate(true)
    for low in (0.0, 0.2, 0.4, 0.6, 0.8, 0.9):
        here = (stated >= low) & (stated < low + (0.2 if low < 0.8 else 0.1))
        assert here.sum() > 50
        error = off[here].std() / np.sqrt(here.sum() / 6)
        assert abs(off[here].mean()) < 0.03 + 2 * error, (low, off[here].mean(), error)
