"""Plans as a study asks for them: totals, steps, limits, feasibility, support, whole plots."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.design.choose import choose_design, plan_runs
from kit.design.composite import axial_distance
from kit.design.factorial import CENTRE
from kit.design.families import BUILDERS
from kit.design.steps import snap
from kit.errors import DesignError
from kit.printer import NOT_POSSIBLE, assess_prints, setting_limits
from kit.study.description import Factor
from kit.terms import expand_terms, model_matrix
from tests.unit.design.studies import BED, FAN, NOZZLE, SPEED, SPOOL, study


def test_a_plan_has_the_columns_of_the_runs_table() -> None:
    runs = choose_design(study(family="central_composite"))
    columns = ["run", "round", "block", "print_order", "nozzle", "speed", "fan", "status", "note"]
    assert list(runs.columns) == columns
    assert runs["run"].tolist() == [str(i) for i in range(1, 19)]
    assert set(runs["status"]) == {"planned"}
    assert (runs["note"] == CENTRE).sum() == 4
    centre = runs.loc[runs["note"] == CENTRE, ["nozzle", "speed", "fan"]]
    assert (centre == [210.0, 80.0, 60.0]).all().all()


def test_settings_are_the_corners_in_natural_units() -> None:
    runs = choose_design(study(NOZZLE, FAN, terms="interactions", centre_points=1))
    assert runs["nozzle"].tolist() == [190, 230, 190, 230, 210]
    assert runs["fan"].tolist() == [20, 20, 100, 100, 60]


@pytest.mark.parametrize(
    ("design", "total"),
    [
        ({"family": "full_factorial", "centre_points": 4}, 12),
        ({"family": "full_factorial", "runs": 11}, 11),
        ({"family": "full_factorial", "replicates": 2, "runs": 19}, 19),
        ({"family": "central_composite"}, 18),
        ({"family": "central_composite", "runs": 20}, 20),
        ({"family": "central_composite", "replicates": 2, "centre_points": 3, "runs": 31}, 31),
    ],
)
def test_the_total_is_as_asked(design: dict[str, Any], total: int) -> None:
    assert len(choose_design(study(**design))) == total


@pytest.mark.parametrize(
    ("design", "text"),
    [
        (
            {"runs": 14, "centre_points": 4},
            r"8 corners \+ 4 centre points = 12 runs, but runs = 14; set centre_points = 6",
        ),
        ({"runs": 7}, r"8 corners = 8 runs before centre points, but runs = 7; ask for at least 8"),
        (
            {"family": "central_composite", "runs": 13, "replicates": 2},
            r"2 x \(8 corners \+ 6 axial points\) = 28 runs before centre points, but runs = 13",
        ),
    ],
)
def test_totals_that_do_not_add_up_are_refused_with_the_arithmetic(
    design: dict[str, Any], text: str
) -> None:
    with pytest.raises(DesignError, match=text):
        choose_design(study(**design))


def test_totals_with_categories_name_the_possible_ones() -> None:
    with pytest.raises(DesignError, match=r"8 corners = 8 runs .* ask for 10 or 12 runs"):
        choose_design(study(NOZZLE, FAN, SPOOL, terms="main", runs=11))


def test_centre_points_of_categories_alone_are_refused() -> None:
    glue = Factor(name="glue", kind="category", levels=("stick", "none"))
    with pytest.raises(DesignError, match="categories have no middle"):
        choose_design(study(SPOOL, glue, terms="main", centre_points=2))
    assert len(choose_design(study(SPOOL, glue, terms="main", replicates=2))) == 8


def test_families_that_do_not_exist_yet_are_refused_by_name() -> None:
    missing = "no_such_family"
    asked = study()
    asked = asked.model_copy(update={"design": asked.design.model_copy(update={"family": missing})})
    with pytest.raises(DesignError, match="not available in this version: choose full_factorial"):
        choose_design(asked)
    assert {"full_factorial", "central_composite"} <= BUILDERS.keys()


def test_axial_points_beyond_limits_are_refused_with_the_way_out() -> None:
    with pytest.raises(DesignError, match=r"fan: axial points would be -7\.27.* to 127") as error:
        choose_design(study(family="central_composite", axial="rotatable"))
    assert 'Set axial = "face"' in str(error.value)
    assert "narrow fan to 40 to 80" in str(error.value)
    narrower = FAN.model_copy(update={"low": 40.0, "high": 80.0})
    runs = choose_design(
        study(NOZZLE, SPEED, narrower, family="central_composite", axial="rotatable")
    )
    assert runs["fan"].between(0, 100).all()


def test_the_largest_axial_distance_named_is_accepted_and_a_larger_one_is_not() -> None:
    nozzle = NOZZLE.model_copy(update={"max": 236.0, "step": 1.0})
    speed = SPEED.model_copy(update={"step": 1.0})
    with pytest.raises(DesignError, match=r"max of nozzle") as error:
        choose_design(study(nozzle, speed, family="central_composite", axial="rotatable"))
    assert "Set axial = 1.3 (the largest" in str(error.value)
    runs = choose_design(study(nozzle, speed, family="central_composite", axial=1.3))
    assert runs["nozzle"].max() == 236
    with pytest.raises(DesignError):
        choose_design(study(nozzle, speed, family="central_composite", axial=1.31))


def test_hard_stops_of_the_printer_limit_axial_points() -> None:
    with pytest.raises(DesignError, match="nozzle_max, the hard stop"):
        choose_design(
            study(
                NOZZLE,
                SPEED,
                family="central_composite",
                axial="rotatable",
                printer={"nozzle_max": 235},
            )
        )


def test_snapping_an_axial_point_is_said() -> None:
    plan = plan_runs(study(NOZZLE, SPEED, family="central_composite", axial="rotatable"))
    assert set(plan.runs["nozzle"]) == {180, 190, 210, 230, 240}
    note = next(n for n in plan.notes if n.startswith("nozzle"))
    assert "181.716 and 238.284 °C asked for, 180 and 240 °C" in note
    assert (
        tuple(choose_design(study(NOZZLE, SPEED)).attrs["notes"])
        == plan_runs(study(NOZZLE, SPEED)).notes
    )


steps = st.sampled_from([0.01, 0.05, 0.1, 0.5, 1.0, 2.0, 5.0])


@settings(deadline=None)
@given(
    low=st.integers(-200, 400),
    count=st.integers(1, 40),
    step=steps,
    room=st.floats(0, 3),
    values=st.lists(st.floats(-3, 3), min_size=1, max_size=20),
)
def test_snapped_settings_are_whole_steps_inside_the_limits(
    low: int, count: int, step: float, room: float, values: list[float]
) -> None:
    high = round(low + count * step, 10)
    factor = Factor(name="x", low=low, high=high, step=step)
    limits = (low - room * step, high + room * step)
    asked = np.asarray(factor.coded.decode(np.array(values)))
    got = snap(factor, asked, limits)
    multiples = (got - low) / step
    np.testing.assert_allclose(multiples, np.round(multiples), atol=1e-6)
    assert (got >= limits[0] - 1e-9).all()
    assert (got <= limits[1] + 1e-9).all()
    inside = (asked >= low) & (asked <= high)
    assert (got[inside] >= low - 1e-9).all()
    assert (got[inside] <= high + 1e-9).all()
    near = inside & (asked >= low) & (asked <= high)
    assert (np.abs(got - asked)[near] <= step / 2 + 1e-6).all()


def test_a_high_off_the_steps_moves_inwards() -> None:
    factor = Factor(name="x", low=190, high=233, step=5)
    assert snap(factor, np.array([190.0, 211.5, 233.0]), (-np.inf, np.inf)).tolist() == [
        190,
        210,
        230,
    ]


@settings(deadline=None, max_examples=40)
@given(
    low=st.integers(150, 220),
    width=st.integers(2, 12),
    axial=st.sampled_from(["face", "rotatable", 1.2, 2.0]),
    spare=st.integers(0, 60),
    stop=st.integers(0, 80),
)
def test_no_run_lies_beyond_min_max_or_a_hard_stop(
    low: int, width: int, axial: str | float, spare: int, stop: int
) -> None:
    high = low + 5 * width
    nozzle = NOZZLE.model_copy(
        update={"low": float(low), "high": float(high), "min": low - spare, "max": high + spare}
    )
    asked = study(
        nozzle, SPEED, family="central_composite", axial=axial, printer={"nozzle_max": high + stop}
    )
    reach = axial_distance(axial, 2) * (high - low) / 2 - (high - low) / 2
    if reach > min(spare, stop) + 1e-6:
        with pytest.raises(DesignError, match=r"Set axial|narrow"):
            choose_design(asked)
        return
    runs = choose_design(asked)
    low_limit, high_limit, *_ = setting_limits(nozzle, asked)
    assert runs["nozzle"].between(low_limit, high_limit).all()


def test_limits_broken_by_a_classical_plan_are_refused_naming_runs() -> None:
    with pytest.raises(DesignError, match=r"Runs 4 and 8 in standard order would break") as error:
        choose_design(study(limits=("nozzle + 0.25*speed <= 250",), terms="interactions"))
    assert "worst: nozzle 230, speed 120" in str(error.value)
    assert "narrow low and high" in str(error.value)
    kept = choose_design(study(limits=("nozzle + 0.25*speed <= 260",), terms="interactions"))
    assert len(kept) == 12


FAST = {"acceleration": 1000, "melt_limit": ((190, 9.0), (230, 12.0))}


def test_runs_that_the_printer_cannot_do_are_left_out_only_when_asked() -> None:
    default = study(family="central_composite", printer=FAST, specimen={"straight_path": 40})
    runs = choose_design(default)
    verdicts = assess_prints(default, runs).table["verdict"]
    assert (verdicts == NOT_POSSIBLE).sum() == 2
    asked = study(
        family="central_composite", printer=FAST, specimen={"straight_path": 40}, feasible=True
    )
    plan = plan_runs(asked)
    assert len(plan.runs) == len(runs) - 2
    assert plan.support.complete
    assert any("Runs 3 and 7 of 18" in n for n in plan.notes)
    left = runs[(verdicts != NOT_POSSIBLE).to_numpy()][["nozzle", "speed", "fan"]]
    pd.testing.assert_frame_equal(
        plan.runs[["nozzle", "speed", "fan"]], left.reset_index(drop=True)
    )


def test_leaving_out_too_much_is_refused() -> None:
    slow = {"path_per_layer": 900, "min_layer_time": 10}
    with pytest.raises(DesignError, match=r"left out.*\n.*cannot see curvature"):
        choose_design(study(family="central_composite", specimen=slow, feasible=True))
    with pytest.raises(DesignError, match="runs = 18 cannot be kept"):
        choose_design(study(family="central_composite", specimen=slow, feasible=True, runs=18))


def test_squares_without_axial_points_are_refused_with_the_remedy() -> None:
    with pytest.raises(DesignError, match="8 runs at 2 levels of nozzle, speed and fan cannot see"):
        choose_design(study(centre_points=0, terms="second_order"))
    with pytest.raises(DesignError, match="not of which factor") as error:
        choose_design(study(terms="second_order"))
    assert "central_composite" in str(error.value)
    assert "drop nozzle^2, speed^2 and fan^2" in str(error.value)


def test_a_model_that_nobody_asked_for_is_only_noted() -> None:
    plan = plan_runs(study())
    assert plan.support.not_estimable == ("nozzle^2", "speed^2", "fan^2")
    assert any("not of which factor" in n for n in plan.notes)


def test_no_run_to_spare_is_refused() -> None:
    with pytest.raises(DesignError, match="4 runs for 4 coefficients: no run to spare"):
        choose_design(study(NOZZLE, FAN, terms="interactions", centre_points=0))
    plan = plan_runs(study(terms="interactions", centre_points=0))
    assert plan.support.residual_df == 1
    assert any("only 1 run to spare" in n for n in plan.notes)


def test_blocks_that_take_an_interaction_asked_for_are_refused() -> None:
    with pytest.raises(DesignError, match="4 blocks take the place of nozzle:speed"):
        choose_design(study(terms="interactions", blocks=4))
    assert len(choose_design(study(terms="interactions", blocks=2))) == 12


def test_runs_at_one_hard_to_change_setting_share_a_block() -> None:
    plan = plan_runs(study(BED, NOZZLE, FAN, family="central_composite"))
    runs = plan.runs
    assert len(runs[["block", "bed"]].drop_duplicates()) == 6
    assert runs["block"].nunique() == 6
    assert any("6 stretches" in n for n in plan.notes)
    coding = study(BED, NOZZLE, FAN).coding
    for _, part in runs[runs["note"] == ""].groupby("block"):
        coded = coding.code({n: part[n].to_numpy() for n in coding.names})
        assert np.abs(coded[:, 1:].sum(axis=0)).max() == 0  # the other factors stay balanced
    X = model_matrix(
        coding,
        expand_terms(coding, "second_order"),
        coding.code({n: runs[n].to_numpy() for n in coding.names}),
    )
    assert np.linalg.matrix_rank(X) == X.shape[1]


def test_changes_sets_the_number_of_stretches() -> None:
    runs = choose_design(study(BED, NOZZLE, FAN, family="central_composite", changes=8))
    assert runs["block"].nunique() == 8
    with pytest.raises(DesignError, match="changes = 2: this plan has 3 settings of bed"):
        choose_design(study(BED, NOZZLE, FAN, family="central_composite", changes=2))
    with pytest.raises(DesignError, match="no stretch to spare"):
        choose_design(study(BED, NOZZLE, FAN, family="central_composite", changes=3))
    with pytest.raises(DesignError, match="leave blocks out"):
        choose_design(study(BED, NOZZLE, FAN, family="central_composite", blocks=3))
