"""Small steps: running effects by hand, verdicts, and how often they move for nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from kit.bench.measured import Measured
from kit.design.choose import choose_design
from kit.errors import ModelError
from kit.model.small_steps import GO_ON, MOVE, STAY, judge_small_steps, overall
from kit.study.description import Response, Study
from tests.unit.design.studies import FAN, NOZZLE, study


def steps_study(*responses: Response, cycles: int = 3) -> Study:
    asked = study(NOZZLE, FAN, family="small_steps", replicates=cycles)
    return asked.model_copy(update={"response": responses}) if responses else asked


GOOD = Response(name="stiffness", unit="N", lower=10.0)


def measured(response: Response, runs: pd.DataFrame, values: np.ndarray) -> Measured:
    prints = pd.DataFrame({"run": runs["run"], "value": values, "specimens": 1, "readings": 1})
    return Measured(response, prints.assign(specimen="A", u_repeat=np.nan, flags=""), prints)


def printed(asked: Study, rng: np.random.Generator, effect: float, sd: float, drift: float = 0.0):
    runs = choose_design(asked).assign(status="printed")
    x = asked.coding.code(runs)
    y = 12 + effect / 2 * x[:, 0] + drift * runs["block"].to_numpy() + rng.normal(0, sd, len(runs))
    return runs, y


def test_effects_by_hand(rng: np.random.Generator) -> None:
    asked = steps_study(GOOD, cycles=2)
    runs, y = printed(asked, rng, 2.0, 0.3)
    found = judge_small_steps(measured(GOOD, runs, y), runs, asked)
    x = asked.coding.code(runs)
    corner = np.abs(x).sum(axis=1) > 0
    nozzle = next(e for e in found.latest if e.name == "nozzle")
    by_hand = y[corner & (x[:, 0] > 0)].mean() - y[corner & (x[:, 0] < 0)].mean()
    assert nozzle.estimate == pytest.approx(by_hand)
    change = next(e for e in found.latest if e.name == "change in mean")
    assert change.estimate == pytest.approx(y[corner].mean() - y[~corner].mean())
    # 10 prints, 4 effects, 2 cycle means: 4 degrees of freedom; each mean is of 4 prints.
    assert found.df == 4
    assert nozzle.half_width == pytest.approx(
        student.ppf(0.975, 4) * found.sd * np.sqrt(1 / 4 + 1 / 4)
    )


def test_days_that_differ_do_no_harm(rng: np.random.Generator) -> None:
    asked = steps_study(GOOD)
    runs, y = printed(asked, rng, 2.0, 0.2)
    still = judge_small_steps(measured(GOOD, runs, y), runs, asked)
    moved = judge_small_steps(measured(GOOD, runs, y + 5.0 * runs["block"]), runs, asked)
    for a, b in zip(still.latest, moved.latest, strict=True):
        assert (a.estimate, a.half_width) == pytest.approx((b.estimate, b.half_width))


def test_a_clear_gain_says_where_to_move(rng: np.random.Generator) -> None:
    asked = steps_study(GOOD)
    runs, y = printed(asked, rng, 3.0, 0.2)
    found = judge_small_steps(measured(GOOD, runs, y), runs, asked)
    assert found.verdict == MOVE
    verdict, reason, step = overall([found], asked)
    assert verdict == MOVE
    assert step is not None
    assert step[0] == 1
    assert "nozzle 230 °C" in reason


def test_a_response_that_loses_keeps_the_others_from_moving(rng: np.random.Generator) -> None:
    worse = Response(name="gloss", unit="GU", lower=1.0)
    asked = steps_study(GOOD, worse)
    runs, y = printed(asked, rng, 3.0, 0.2)
    both = [
        judge_small_steps(measured(GOOD, runs, y), runs, asked),
        judge_small_steps(measured(worse, runs, 30 - y), runs, asked),
    ]
    verdict, reason, step = overall(both, asked)
    assert (verdict, step) == (GO_ON, None)
    assert "clearly worse" in reason


def test_stay_needs_a_margin_and_enough_cycles(rng: np.random.Generator) -> None:
    with_margin = GOOD.model_copy(update={"margin": 1.0})
    asked = steps_study(with_margin, cycles=6)
    runs, y = printed(asked, rng, 0.0, 0.2)
    assert judge_small_steps(measured(with_margin, runs, y), runs, asked).verdict == STAY
    assert judge_small_steps(measured(GOOD, runs, y), runs, asked).verdict == GO_ON


def test_one_cycle_tells_nothing_and_a_broken_one_is_left_out(rng: np.random.Generator) -> None:
    asked = steps_study(GOOD)
    runs, y = printed(asked, rng, 3.0, 0.2)
    some = measured(GOOD, runs.head(8), y[:8])
    found = judge_small_steps(some, runs, asked)
    assert found.cycles == 1
    assert found.verdict == GO_ON
    assert not np.isfinite(found.latest[0].half_width)
    with pytest.raises(ModelError, match="no cycle is complete"):
        judge_small_steps(measured(GOOD, runs.head(3), y[:3]), runs, asked)


@pytest.mark.slow
def test_how_often_it_moves_for_nothing() -> None:
    rng = np.random.default_rng(5)
    asked = steps_study(GOOD, cycles=4)
    moves = 0
    for _ in range(600):
        runs, y = printed(asked, rng, 0.0, 1.0, drift=0.3)
        moves += judge_small_steps(measured(GOOD, runs, y), runs, asked).verdict == MOVE
    assert moves / 600 < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 600)
