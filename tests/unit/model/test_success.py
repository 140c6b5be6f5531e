"""Success surfaces: exact cases, separation, a reference library for many prints, and coverage."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.discrete.discrete_model import Logit

from kit.analysis import analyse
from kit.model.success import chance_at, fit_penalised, success_surface
from kit.report.results import results_document
from kit.report.show_answer import show_answer
from tests.demo_data import DATA
from tests.unit.model.builders import coded_factors, composite, make_runs, make_study


@pytest.mark.parametrize(
    ("first", "second"), [((5, 0), (2, 3)), ((7, 1), (4, 4)), ((6, 0), (0, 6))]
)
def test_two_settings_are_the_table_with_a_half_added(
    first: tuple[int, int], second: tuple[int, int]
) -> None:
    # Firth's penalty is Jeffreys' prior: for a saturated table one half is added to each cell (Firth 1993).
    y = np.repeat([1.0, 0, 1, 0], [*first, *second])
    X = np.column_stack([np.ones(len(y)), np.repeat([0.0, 1], [sum(first), sum(second)])])
    odds = [(a + 0.5) / (b + 0.5) for a, b in (first, second)]
    np.testing.assert_allclose(
        fit_penalised(X, y), [np.log(odds[0]), np.log(odds[1] / odds[0])], rtol=1e-7
    )


def test_many_prints_agree_with_maximum_likelihood(rng: np.random.Generator) -> None:
    X = np.column_stack([np.ones(4000), rng.uniform(-1, 1, (4000, 2))])
    y = (rng.uniform(size=4000) < 1 / (1 + np.exp(-X @ [1.0, 2.0, -1.0]))).astype(float)
    want = Logit(y, X).fit(disp=False).params
    np.testing.assert_allclose(fit_penalised(X, y), want, atol=0.01)


def printed(status: list[str]) -> pd.DataFrame:
    runs = make_runs(composite())
    return runs.assign(status=status)


def test_separated_failures_stay_finite_and_point_the_right_way() -> None:
    runs = make_runs(composite())
    runs["status"] = np.where(runs["x1"] == 1, "failed", "printed")
    found = success_surface(runs, make_study(coded_factors()))
    assert np.isfinite(found.coefficients).all()
    cold, low, high = chance_at(found, {"x1": -1.0, "x2": 0.0})
    hot = chance_at(found, {"x1": 1.0, "x2": 0.0})
    assert 0.5 < low < cold < high <= 1
    assert hot[0] < 0.5 < cold
    assert hot[1] < hot[0] < hot[2] < 0.9


def test_nothing_failed_or_nothing_came_out() -> None:
    study = make_study(coded_factors())
    assert success_surface(printed(["printed"] * 12), study) is None
    assert success_surface(printed(["failed"] * 12), study) is None
    assert success_surface(printed(["planned"] * 12), study) is None


def test_effects_that_cannot_be_told_apart_are_left_out() -> None:
    runs = make_runs(composite().assign(x2=composite()["x1"]))
    runs["status"] = ["failed"] + ["printed"] * 11
    found = success_surface(runs, make_study(coded_factors()))
    assert [t.name for t in found.terms] == ["intercept", "x1"]


def test_demo_says_how_likely_a_print_comes_out() -> None:
    analysis = analyse(DATA / "satin-or-gloss")
    assert "comes out at all with a chance of" in show_answer(analysis).plain()
    numbers = results_document(analysis)["success"]
    assert numbers["failures"] == 1
    at = numbers["at_answer"]
    assert at["low"] < at["probability"] < at["high"]


@pytest.mark.slow
def test_limits_cover(rng: np.random.Generator) -> None:
    study, base = (
        make_study(coded_factors(), terms="main"),
        pd.concat([composite()] * 3, ignore_index=True),
    )
    runs = make_runs(base)
    hits = total = 0
    for _ in range(100):
        truth = 1 / (1 + np.exp(-(1.5 + 1.5 * base["x1"])))
        runs["status"] = np.where(rng.uniform(size=len(base)) < truth, "printed", "failed")
        found = success_surface(runs, study)
        if found is None:
            continue
        _, low, high = chance_at(found, {"x1": -0.5, "x2": 0.5})
        hits += low <= 1 / (1 + np.exp(-0.75)) <= high
        total += 1
    assert 0.89 < hits / total <= 1.0
