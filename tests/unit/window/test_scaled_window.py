"""Window, limits, confirmation and adoption where a response is fitted on another scale: as by hand, in its own unit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kit.model.fit import fit_surface
from kit.model.measuring_share import measuring_share
from kit.model.surface import Surface
from kit.study.description import Factor, Response, Study, WindowChoice
from kit.window.confirm import judge_confirmation, prediction_of_mean
from kit.window.confirm_plan import plan_confirmation
from kit.window.elsewhere import transmitted
from kit.window.measuring_doubt import chance_if_off
from kit.window.offset import estimate_offset
from kit.window.region import find_window
from kit.window.tradeoff import trade_offs
from kit.window.whatif import what_if
from tests.unit.model.builders import composite, make_measured, make_runs

FACTORS = (
    Factor(name="nozzle", kind="nozzle_temperature", unit="degC", low=190, high=230, step=5),
    Factor(name="speed", kind="speed", unit="mm/s", low=40, high=80, step=5),
)
LIMITS = {"lower": 25.0}


def study_of(scale: str, confidence: float = 0.9, **limits: float) -> Study:
    response = Response(name="peel", unit="N" if scale == "log" else "", scale=scale, **limits)
    return Study(
        title="made",
        factor=FACTORS,
        response=(response,),
        window=WindowChoice(confidence=confidence),
    )


def logs() -> tuple[pd.DataFrame, np.ndarray]:
    rng = np.random.default_rng(8)
    x = composite()
    z = 3.2 + 0.4 * x["x1"] - 0.2 * x["x2"] - 0.2 * x["x1"] ** 2 + 0.08 * rng.normal(size=len(x))
    table = pd.DataFrame({"nozzle": 210 + 20 * x["x1"], "speed": 60 + 20 * x["x2"]})
    return make_runs(table), z.to_numpy()


def pair(
    confidence: float = 0.9, **limits: float
) -> tuple[Study, dict[str, Surface], Study, dict[str, Surface]]:
    """The same study twice: on the logarithm, and with logarithms typed in as readings."""
    runs, z = logs()
    ours = study_of("log", confidence, **limits)
    theirs = study_of("as_measured", confidence, **{k: float(np.log(v)) for k, v in limits.items()})
    fits = [
        {"peel": fit_surface(make_measured(s, runs, y.tolist()), runs, s)}
        for s, y in ((ours, np.exp(z)), (theirs, z))
    ]
    return ours, fits[0], theirs, fits[1]


def test_the_window_is_that_of_the_logarithms() -> None:
    ours, a, theirs, b = pair(**LIMITS)
    mine, by_hand = find_window(a, ours), find_window(b, theirs)
    assert mine.recommended is not None
    assert by_hand.recommended is not None
    assert mine.recommended.settings == by_hand.recommended.settings
    assert mine.recommended.probability == pytest.approx(by_hand.recommended.probability)
    assert mine.ranges == by_hand.ranges
    p, q = mine.recommended.predictions["peel"], by_hand.recommended.predictions["peel"]
    assert [p.mean, p.low, p.high] == pytest.approx(np.exp([q.mean, q.low, q.high]))
    np.testing.assert_allclose(mine.grid["mean_peel"], np.exp(by_hand.grid["mean_peel"]))


def test_giving_way_and_asking_more_are_in_the_unit() -> None:
    ours, a, theirs, b = pair(0.99, lower=60.0)
    mine, by_hand = find_window(a, ours), find_window(b, theirs)
    assert mine.recommended is None
    needed, other = mine.relaxations[0].needed, by_hand.relaxations[0].needed
    assert needed is not None
    assert other is not None
    assert mine.relaxations[0].limit == 60.0
    assert needed == pytest.approx(np.exp(other), rel=1e-4)
    easy, a, *_ = pair(**LIMITS)
    found = trade_offs(a, easy, find_window(a, easy))
    assert found is not None
    limits = found.asking_more[0].rows["limit"]
    assert limits.iloc[0] == 25.0
    assert 25 < limits.iloc[-1] < 45


def test_without_any_limit_the_compromise_is_the_target_in_the_unit() -> None:
    runs, z = logs()
    study = study_of("log", target=20.0)
    surfaces = {"peel": fit_surface(make_measured(study, runs, np.exp(z).tolist()), runs, study)}
    window = find_window(surfaces, study)
    assert window.best_compromise is not None
    assert window.best_compromise.predictions["peel"].mean == pytest.approx(20.0, rel=0.1)


def test_the_study_may_change_its_limits_after_the_fit() -> None:
    ours, a, *_ = pair(**LIMITS)
    stricter = ours.model_copy(
        update={"response": (ours.responses[0].model_copy(update={"lower": 29.0}),)}
    )
    before, after = find_window(a, ours), find_window(a, stricter)
    assert after.share < before.share
    asked = what_if(a, ours, {"nozzle": 215.0, "speed": 50.0})
    assert asked is not None
    assert 20 < asked.predictions["peel"].mean < 40


def test_confirming_prints_are_judged_on_the_scale_and_told_in_the_unit() -> None:
    ours, a, theirs, b = pair(**LIMITS)
    coded = np.array([[0.5, -0.5]])
    foretold, low, high = prediction_of_mean(a["peel"], coded, 4, specimens=1.0)
    by_hand = prediction_of_mean(b["peel"], coded, 4, specimens=1.0)
    assert [foretold, low, high] == pytest.approx(np.exp(by_hand))
    values = np.array([27.0, 31.0, 29.0, 33.0])
    rows = [{"nozzle": 220.0, "speed": 50.0}] * 4
    runs = make_runs(pd.DataFrame(rows)).assign(round="confirmation", run=["c1", "c2", "c3", "c4"])
    verdicts = []
    for study, surfaces, y in ((ours, a, values), (theirs, b, np.log(values))):
        measured = make_measured(study, runs, y.tolist())
        pieces = pd.DataFrame({"run": runs["run"], "specimen": "1", "value": y, "u_repeat": np.nan})
        object.__setattr__(measured, "specimens", pieces)
        found = judge_confirmation(surfaces, study, runs, {"peel": measured}, recommended=rows[0])
        assert found is not None
        verdicts.append(found)
    one, other = (v.responses["peel"] for v in verdicts)
    assert (one.verdict, one.as_foretold, one.chance_high) == (
        other.verdict,
        other.as_foretold,
        pytest.approx(other.chance_high),
    )
    assert one.mean == pytest.approx(np.exp(np.log(values).mean()))
    plans = [plan_confirmation(s, t, rows[0]).means["peel"] for s, t in ((a, ours), (b, theirs))]
    assert plans[0].distance == pytest.approx(plans[1].distance)


def test_instruments_off_and_settings_off() -> None:
    ours, a, theirs, b = pair(**LIMITS)
    at = {"nozzle": 215.0, "speed": 50.0}
    fitted, worst = chance_if_off(a, at, {"peel": 1.0})
    lower = find_window({"peel": a["peel"].with_response(a["peel"].stated)}, ours)
    assert lower.confidence == 0.9
    shifted = a["peel"].with_response(a["peel"].stated.model_copy(update={"lower": 26.0}))
    assert worst == pytest.approx(chance_if_off({"peel": shifted}, at, {})[0])
    assert worst < fitted
    mine, by_hand = transmitted(a, ours, at)[0], transmitted(b, theirs, at)[0]
    typical = a["peel"].typical(ours.coding.code({k: [v] for k, v in at.items()}))[0]
    assert mine.thermometer == pytest.approx(by_hand.thermometer * typical)


def test_the_share_of_reading_is_in_the_unit() -> None:
    runs, z = logs()
    study = study_of("log", **LIMITS)
    measured = make_measured(study, runs, np.exp(z).tolist(), repeat_variance=1.0, repeat_df=12)
    share = measuring_share(measured, fit_surface(measured, runs, study))
    assert share is not None
    assert share.reading_sd == pytest.approx(1.0)
    assert 0.5 < share.print_sd < 6


def test_an_adopter_s_prints_are_read_on_the_donor_s_scale() -> None:
    ours, a, theirs, b = pair(**LIMITS)
    coded = np.array([[0.0, 0.0], [0.5, 0.5], [-0.5, 0.0]])
    values = pd.DataFrame({"peel": [22.0, 28.0, 17.0]})
    found = [
        estimate_offset(s, t, coded, v, np.random.default_rng(1), truths=40, printers=50)
        for s, t, v in ((a, ours, values), (b, theirs, np.log(values)))
    ]
    assert found[0].mean == pytest.approx(found[1].mean)
    assert found[0].sd == pytest.approx(found[1].sd)
