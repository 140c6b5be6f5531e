from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.bench.measured import Measured
from kit.errors import ConfirmError
from kit.model.predict import predict
from kit.window.confirm import GUARD, acceptance, judge_confirmation, prediction_of_mean
from kit.window.confirm_plan import plan_confirmation
from kit.window.confirming import confirming_runs
from kit.window.probability import chance_to_meet
from kit.window.region import find_window
from kit.window.verdict import DOES_NOT_MEET, MEETS, UNDECIDED, Confirmation
from tests.unit.window.made import demo_surfaces

SURFACES, STUDY = demo_surfaces(noise=0.6)
WINDOW = find_window(SURFACES, STUDY)
SETTINGS = WINDOW.recommended.settings if WINDOW.recommended else {}
CODED = STUDY.coding.code({n: [v] for n, v in SETTINGS.items()})


def new_runs(
    n: int, *, settings=SETTINGS, first: int = 101, status: str = "printed"
) -> pd.DataFrame:
    rows = [
        {"run": str(first + i), "round": "confirmation", "block": 9, "print_order": first + i, **settings,
         **{f"{k}_actual": v for k, v in settings.items()}, "status": status, "note": ""}
        for i in range(n)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def results(
    runs: pd.DataFrame, values: dict[str, Sequence[float]], u: float = 0.0
) -> dict[str, Measured]:
    made = {}
    for name, numbers in values.items():
        pieces = pd.DataFrame(
            {
                "run": runs["run"],
                "specimen": "A",
                "value": list(numbers),
                "u_repeat": u,
                "readings": 1,
                "flags": "",
            }
        )
        prints = pieces[["run", "value"]].assign(specimens=1, readings=1)
        made[name] = Measured(STUDY.response_named(name), pieces, prints)
    return made


def as_foretold(n: int, rng: np.random.Generator, **shift: float) -> dict[str, list[float]]:
    return {
        name: [
            float(s.mean(CODED)[0] + shift.get(name, 0.0) + v)
            for v in rng.normal(0, 0.3 * np.sqrt(s.residual_variance), n)
        ]
        for name, s in SURFACES.items()
    }


def judge(runs: pd.DataFrame, measured: dict[str, Measured]) -> Confirmation:
    found = judge_confirmation(SURFACES, STUDY, runs, measured, recommended=SETTINGS)
    assert found is not None
    return found


def test_prints_that_do_as_foretold_confirm(rng: np.random.Generator) -> None:
    runs = new_runs(6)
    found = judge(runs, results(runs, as_foretold(6, rng)))
    assert found.verdict == MEETS
    assert (found.met, found.missed, found.doubtful, found.prints) == (6, 0, 0, 6)
    assert found.at_recommended
    assert not found.withdraws
    assert found.promised == pytest.approx(chance_to_meet(SURFACES, CODED)[0])
    assert found.share_low == pytest.approx(0.05 ** (1 / 6))


def test_prints_that_miss_withdraw_the_window(rng: np.random.Generator) -> None:
    runs = new_runs(6)
    found = judge(runs, results(runs, as_foretold(6, rng, gloss=-30.0)))
    assert found.verdict == DOES_NOT_MEET
    assert found.withdraws
    assert found.missed == 6
    assert any("Gloss" in reason for reason in found.reasons)


def test_a_mean_nearer_to_the_limit_than_foretold_leaves_it_open(rng: np.random.Generator) -> None:
    surface = SURFACES["gloss"]
    room = float(surface.mean(CODED)[0]) - 30.0
    runs = new_runs(6)
    found = judge(runs, results(runs, as_foretold(6, rng, gloss=-0.7 * room)))
    assert found.missed == 0
    assert found.verdict == UNDECIDED
    assert found.responses["gloss"].towards_limit


def test_a_mean_off_on_the_harmless_side_still_confirms(rng: np.random.Generator) -> None:
    runs = new_runs(6)
    found = judge(runs, results(runs, as_foretold(6, rng, gloss=30.0)))
    assert not found.responses["gloss"].as_foretold
    assert found.verdict == MEETS


def test_two_prints_are_too_few(rng: np.random.Generator) -> None:
    runs = new_runs(2)
    found = judge(runs, results(runs, as_foretold(2, rng)))
    assert found.verdict == UNDECIDED
    assert "too few" in found.reasons[0]


def test_guard_band_of_the_measuring(rng: np.random.Generator) -> None:
    """A piece 1.6 standard uncertainties inside a limit is doubtful, at 1.7 it clearly meets (JCGM 106: 1.645)."""
    runs = new_runs(5)
    for inside, doubtful in ((1.6, 1), (1.7, 0), (-1.6, 1)):
        values = as_foretold(5, rng)
        values["gloss"][0] = 30.0 + inside * 0.5
        found = judge(runs, results(runs, values, u=0.5)).responses["gloss"]
        assert len(found.doubtful) == doubtful
        assert not found.missed
        assert found.guard == pytest.approx(GUARD * 0.5)
    values["gloss"][0] = 30.0 - 1.7 * 0.5
    assert judge(runs, results(runs, values, u=0.5)).responses["gloss"].missed == ("101",)


def test_runs_of_the_fit_are_refused(rng: np.random.Generator) -> None:
    runs = new_runs(6)
    runs.loc[2, "run"] = "4"
    with pytest.raises(ConfirmError, match="run 4 was used to fit the model"):
        judge(runs, results(runs, as_foretold(6, rng)))


def test_prints_made_before_the_fit_was_finished_do_not_count() -> None:
    runs = pd.concat([new_runs(2, first=3), new_runs(4)], ignore_index=True)
    kept, refused = confirming_runs(runs, SURFACES)
    assert list(kept["run"]) == ["101", "102", "103", "104"]
    assert "run 3 and run 4 cannot confirm" in refused[0]


def test_planned_runs_give_no_verdict() -> None:
    kept, refused = confirming_runs(new_runs(6, status="planned"), SURFACES)
    assert kept.empty
    assert not refused


def test_other_settings_are_judged_but_do_not_withdraw(rng: np.random.Generator) -> None:
    other = {**SETTINGS, "nozzle": float(SETTINGS["nozzle"]) - 10}
    runs = new_runs(4, settings=other)
    found = judge(runs, results(runs, as_foretold(4, rng, gloss=-30.0)))
    assert not found.at_recommended
    assert not found.withdraws
    assert found.settings == other


def test_failed_prints_are_named_and_not_counted(rng: np.random.Generator) -> None:
    runs = new_runs(5)
    measured = results(runs, as_foretold(5, rng))
    runs.loc[4, "status"] = "failed"
    found = judge(runs, measured)
    assert found.failed == 1
    assert found.prints == 4
    assert "failed and gave no piece" in " ".join(found.notes)


def test_prediction_of_one_print_is_that_of_predict() -> None:
    surface = SURFACES["strength"]
    row = predict(surface, SETTINGS, what="print").iloc[0]
    mean, low, high = prediction_of_mean(surface, CODED, 1, specimens=1.0)
    assert (mean, low, high) == pytest.approx((row["estimate"], row["low"], row["high"]))


def test_prediction_of_many_prints_is_that_of_the_mean() -> None:
    surface = SURFACES["strength"]
    row = predict(surface, SETTINGS, what="mean").iloc[0]
    _, low, high = prediction_of_mean(surface, CODED, 10**8, specimens=1.0)
    assert (low, high) == pytest.approx((row["low"], row["high"]), rel=1e-4)


@given(st.integers(1, 60), st.floats(0.5, 0.999), st.floats(0.5, 0.999))
def test_acceptance_is_below_refutation(n: int, promised: float, confidence: float) -> None:
    most, refuted = acceptance(n, max(promised, confidence), confidence)
    assert 0 <= most < refuted <= n + 1


def test_plan_says_what_the_count_shows() -> None:
    plan = plan_confirmation(SURFACES, STUDY, SETTINGS, prints=6)
    assert plan.zero_failure == 22
    assert plan.by_count[6] == pytest.approx(0.1 ** (1 / 6))
    assert plan.by_count[22] >= 0.90
    assert "6 confirming prints" in plan.sentence
    assert set(plan.means) == set(SURFACES)


@pytest.mark.slow
def test_how_often_good_windows_are_confirmed_and_bad_ones_withdrawn(
    rng: np.random.Generator,
) -> None:
    """True printer as fitted: withdrawn at most 1 in 20, confirmed 3 in 4. Gloss 4 SD worse: confirmed hardly ever."""
    n, rounds = 6, 400
    counts = {0.0: [0, 0], -1.0: [0, 0]}
    runs = new_runs(n)
    for shift, tally in counts.items():
        for _ in range(rounds):
            values = {}
            for name, s in SURFACES.items():
                sd = np.sqrt(s.residual_variance)
                # a truth in line with what the readings say of it
                rows = s.rows(CODED)
                doubt = float(np.sqrt((rows @ s.covariance @ rows.T)[0, 0]))
                centre = float(s.mean(CODED)[0]) + rng.normal(0, doubt)
                centre += shift * (float(s.mean(CODED)[0]) - 30.0) if name == "gloss" else 0.0
                values[name] = rng.normal(centre, sd, n)
            verdict = judge(runs, results(runs, values)).verdict
            tally[0] += verdict == MEETS
            tally[1] += verdict == DOES_NOT_MEET
    assert counts[0.0][1] <= 0.05 * rounds
    assert counts[0.0][0] >= 0.75 * rounds
    assert counts[-1.0][0] <= 0.02 * rounds
    assert counts[-1.0][1] >= 0.60 * rounds
