"""Readings to specimen and print values: small tables with answers worked by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from kit.bench.instruments import specimen_results
from kit.bench.measured import Measured
from kit.study.data import StudyData
from kit.study.description import Factor, Response, Study
from tests.reference.cases import load_case

UNIT = {"force": "N", "width": "mm", "thickness": "mm"}


def respond(recipe: str, name: str = "y", **keys: Any) -> Response:
    return Response(name=name, recipe=recipe, **keys)


def take(
    responses: Response | list[Response],
    rows: list[tuple[Any, ...]],
    *,
    runs: dict[str, str] | None = None,
    rounds: dict[str, str] | None = None,
) -> StudyData:
    """Make a study from rows (run, specimen, quantity, value[, excluded[, operator]])."""
    responses = responses if isinstance(responses, list) else [responses]
    study = Study(
        title="bench", factor=(Factor(name="nozzle", low=190, high=230),), response=tuple(responses)
    )
    runs = runs or dict.fromkeys(dict.fromkeys(r[0] for r in rows), "printed")
    table = pd.DataFrame(
        {
            "run": list(runs),
            "round": [(rounds or {}).get(name, "surface") for name in runs],
            "block": 1,
            "print_order": range(1, len(runs) + 1),
            "nozzle": 210.0,
            "nozzle_actual": 210.0,
            "status": list(runs.values()),
            "note": "",
        }
    )
    seen: dict[tuple[Any, ...], int] = {}
    records = []
    for row, values in enumerate(rows, start=2):
        run, specimen, quantity, value, excluded, operator = (*values, "", "")[:6]
        key = (run, specimen, quantity, operator)
        seen[key] = seen.get(key, 0) + 1
        records.append(
            {
                "row": row,
                "run": run,
                "specimen": specimen,
                "quantity": quantity,
                "value": float(value),
                "unit": UNIT.get(quantity, responses[0].unit),
                "repeat": seen[key],
                "operator": operator,
                "instrument": "",
                "excluded": excluded,
                "note": "",
            }
        )
    return StudyData(study, table, pd.DataFrame(records))


def measure(*args: Any, **keys: Any) -> Measured:
    (only,) = specimen_results(take(*args, **keys)).values()
    return only


def test_readings_average_to_specimens_and_prints() -> None:
    rows = [
        ("1", "A", "y", 10.0),
        ("1", "A", "y", 12.0),
        ("1", "B", "y", 15.0),
        ("1", "B", "y", 17.0),
        ("2", "A", "y", 20.0),
        ("2", "A", "y", 20.0),
    ]
    m = measure(respond("score", unit="points"), rows)
    assert m.specimens[["run", "specimen", "value", "readings"]].to_numpy().tolist() == [
        ["1", "A", 11.0, 2],
        ["1", "B", 16.0, 2],
        ["2", "A", 20.0, 2],
    ]
    assert m.prints.to_numpy().tolist() == [
        ["1", 13.5, 2, 4, False],
        ["2", 20.0, 1, 2, False],
    ]
    # Repeats: squares 2 + 2 + 0 on 3 df. Specimens of print 1: (11 - 16)^2 / 2 on 1 df.
    assert (m.repeat_variance, m.repeat_df) == (pytest.approx(4 / 3), 3)
    assert (m.specimen_variance, m.specimen_df) == (pytest.approx(12.5), 1)
    assert m.specimens_per_print == pytest.approx(2 / (1 / 2 + 1))
    assert m.repeats_per_specimen == 2
    assert m.specimens["u_repeat"].tolist() == pytest.approx([np.sqrt(4 / 3 / 2)] * 3)
    assert m.notes == ()


def test_single_readings_have_no_variances() -> None:
    m = measure(respond("direct"), [("1", "A", "y", 3.0), ("2", "A", "y", 4.0)])
    assert m.specimen_variance is None
    assert m.specimen_df == 0
    assert m.repeat_variance is None
    assert m.repeat_df == 0
    assert m.specimens["u_repeat"].isna().all()


def test_operators_differ_without_counting_as_repeat_scatter() -> None:
    rows = [("1", "A", "y", v, "", who) for v, who in ((1, "a"), (3, "a"), (11, "b"), (13, "b"))]
    m = measure(respond("direct"), rows)
    assert m.prints["value"].tolist() == [7.0]
    assert (m.repeat_variance, m.repeat_df) == (2.0, 2)


def test_dimension_is_a_deviation_from_nominal() -> None:
    m = measure(respond("dimension", unit="mm", nominal=20.0), [("1", "A", "y", 20.03)])
    assert m.prints["value"].tolist() == pytest.approx([0.03])


def test_gloss_along_and_across_stay_apart() -> None:
    rows = [
        ("1", "A", "y_along", 40.0),
        ("1", "A", "y_along", 44.0),
        ("1", "A", "y_across", 20.0),
        ("2", "A", "y", 33.0),
    ]
    m = measure(respond("gloss", unit="GU"), rows)
    assert m.specimens["value"].tolist() == [31.0, 33.0]
    assert m.specimens.loc[0, ["along", "across"]].tolist() == [42.0, 20.0]
    assert m.specimens.loc[1, ["along", "across"]].isna().all()
    # One direction was repeated: variance 8; (8/2)/4 reaches the mean of the two directions.
    assert m.specimens.loc[0, "u_repeat"] == pytest.approx(1.0)


def test_bending_strength_and_its_uncertainty() -> None:
    rows = [
        ("1", "A", "force", 100.0),
        *(("1", "A", "width", w) for w in (9.98, 10.02)),
        *(("1", "A", "thickness", h) for h in (3.98, 4.02)),
        ("2", "A", "force", 50.0),
        ("2", "A", "width", 10.0),
        ("2", "A", "thickness", 4.0),
    ]
    m = measure(respond("three_point_bending", unit="MPa", span=64.0), rows)
    case = load_case("n01_flexure")
    case.check("flexural_stress F=100 N b=10 h=4 L=64 mm (MPa)", m.prints["value"][0])
    assert m.prints["value"][1] == pytest.approx(30.0)
    assert m.specimens.loc[0, ["force", "width", "thickness"]].tolist() == [100.0, 10.0, 4.0]
    # Single readings scatter by 0.02 sqrt(2) mm; relative sensitivities -1 and -2 (GUM 5.1.6).
    single = 0.02 * np.sqrt(2)
    relative = np.hypot(single / np.sqrt(2) / 10, 2 * single / np.sqrt(2) / 4)
    assert m.specimens["u_repeat"][0] == pytest.approx(60 * relative)
    alone = 30 * np.hypot(single / 10, 2 * single / 4)
    assert m.repeat_variance == pytest.approx(((60 * relative) ** 2 + alone**2) / 2)
    assert m.repeats_per_specimen == 1.0
    assert m.repeat_df == 1


def test_strength_worked_out_elsewhere_counts_directly() -> None:
    rows = [("1", "A", "y", 55.0), ("1", "A", "force", 1.0), ("1", "A", "width", 10.0)]
    m = measure(respond("three_point_bending", unit="MPa", span=64.0), rows)
    assert m.prints["value"].tolist() == [55.0]


def test_tensile_strength_in_other_units() -> None:
    rows = [("1", "A", "force", 1600.0), ("1", "A", "width", 10.0), ("1", "A", "thickness", 4.0)]
    assert measure(respond("tensile", unit="MPa"), rows).prints["value"].tolist() == [40.0]
    assert measure(respond("tensile", unit="GPa"), rows).prints["value"].tolist() == [0.04]


def test_two_strengths_use_their_long_names() -> None:
    responses = [respond("tensile", "flat", unit="MPa"), respond("tensile", "upright", unit="MPa")]
    rows = [
        ("1", "A", f"{name}_{part}", value)
        for name, force in (("flat", 1600.0), ("upright", 800.0))
        for part, value in (("force", force), ("width", 10.0), ("thickness", 4.0))
    ]
    results = specimen_results(take(responses, rows))
    assert {n: m.prints["value"].tolist() for n, m in results.items()} == {
        "flat": [40.0],
        "upright": [20.0],
    }


def test_excluded_and_failed_readings_are_named_not_used() -> None:
    rows = [
        ("1", "A", "y", 30.0),
        ("1", "A", "y", 99.0, "slipped off"),
        ("2", "A", "y", 31.0),
        ("3", "A", "y", 32.0),
    ]
    m = measure(
        respond("gloss", unit="GU"), rows, runs={"1": "printed", "2": "failed", "3": "planned"}
    )
    assert m.prints["value"].tolist() == [30.0]
    assert (
        m.notes[0] == "y: the reading of run 1, specimen A (99 GU, row 3) is left out: slipped off."
    )
    assert m.notes[1] == "y: the readings of run 2 are not used, since that print failed."
    assert m.notes[2] == "y: the readings of run 3 are not used, since it is still marked planned."


def test_missing_inputs_leave_a_specimen_out_and_say_so() -> None:
    full = [("1", "A", "force", 100.0), ("1", "A", "width", 10.0), ("1", "A", "thickness", 4.0)]
    rows = [*full, ("1", "B", "force", 100.0), ("1", "B", "width", 10.0), ("2", "A", "force", 90.0)]
    m = measure(respond("three_point_bending", unit="MPa", span=64.0), rows)
    assert m.prints["run"].tolist() == ["1"]
    assert m.notes == (
        "y: not computed without the thickness: run 1, specimen B.",
        "y: not computed without the width and the thickness: run 2, specimen A.",
    )


def test_nothing_computable_keeps_its_reasons() -> None:
    m = measure(respond("three_point_bending", unit="MPa"), [("1", "A", "force", 100.0)])
    assert m.prints.empty
    assert m.specimens.empty
    assert m.notes[-1] == "y: bending needs the distance of the supports, span, in study.toml."


def test_only_failed_prints_give_an_empty_result() -> None:
    m = measure(respond("direct"), [("1", "A", "y", 1.0)], runs={"1": "failed"})
    assert m.prints.empty
    assert m.repeat_variance is None
    assert m.specimen_variance is None


def test_a_response_not_read_yet_is_left_out() -> None:
    responses = [respond("direct"), respond("tensile", "strength", unit="MPa")]
    rows = [("1", "A", "y", 1.0), ("1", "A", "width", 10.0), ("1", "A", "thickness", 4.0)]
    assert list(specimen_results(take(responses, rows))) == ["y"]


def test_confirmation_runs_do_not_touch_the_variances() -> None:
    rows = [
        *(("1", s, "y", v) for s, v in (("A", 10.0), ("A", 10.2), ("B", 11.0), ("B", 11.2))),
        *(("9", s, "y", v) for s, v in (("A", 10.0), ("A", 50.0), ("B", 90.0), ("B", 10.0))),
        *(("9", "C", "y", v) for v in (1.0, 2.0)),
    ]
    m = measure(respond("direct"), rows, rounds={"9": "confirmation"})
    without = measure(respond("direct"), rows[:4])
    assert m.prints["run"].tolist() == ["1", "9"]
    for name in ("specimen_variance", "specimen_df", "repeat_variance", "repeat_df"):
        assert getattr(m, name) == getattr(without, name), name
    assert m.specimens_per_print == without.specimens_per_print == 2
    assert m.repeats_per_specimen == without.repeats_per_specimen == 2


def test_gloss_geometry_and_doubtful_readings() -> None:
    rows = [(str(i), "A", "y", v) for i, v in enumerate([5.0, 30.0, 75.0, 91.0], start=1)]
    m = measure(respond("gloss", unit="GU"), rows)
    assert "2 of 4 prints read above 70 GU" in m.notes[0]
    assert "20 degree" in m.notes[0]
    assert "1 of 4 prints read below 10 GU" in m.notes[1]
    assert "85 degree" in m.notes[1]
    assert "run 4 reads above 85 GU" in m.notes[2]
    assert "about 82 GU" in m.notes[2]
    assert m.specimens["flags"].tolist() == ["", "", "", "above 85 GU"]
    steep = measure(respond("gloss", unit="GU", geometry=20), rows).notes
    assert len(steep) == 1
    assert "run 3 and run 4 reads above 74 GU" in steep[0]
    assert "about 72 GU at 20 degrees" in steep[0]


def test_span_ratio_is_flagged() -> None:
    rows = [
        (run, "A", part, value)
        for run, h in (("1", 4.0), ("2", 3.0))
        for part, value in (("force", 100.0), ("width", 10.0), ("thickness", h))
    ]
    m = measure(respond("three_point_bending", unit="MPa", span=64.0), rows)
    assert m.specimens["flags"].tolist() == ["", "span is 21.3 times the thickness"]
    assert (
        "21.3 times the thickness of 1 of 2 specimens; ISO 178 asks for 16, within 1" in m.notes[0]
    )


def test_order_of_rows_does_not_matter(rng: np.random.Generator) -> None:
    rows = [
        (str(run), s, "y", 10 * run + rng.normal())
        for run in range(1, 6)
        for s in "AB"
        for _ in "12"
    ]
    data = take(respond("direct"), rows)
    shuffled = data.readings.sample(frac=1, random_state=3)
    mixed = specimen_results(StudyData(data.study, data.runs, shuffled))["y"]
    straight = specimen_results(data)["y"]
    assert mixed.prints["run"].tolist() == straight.prints["run"].tolist()
    np.testing.assert_allclose(mixed.prints["value"], straight.prints["value"], rtol=1e-12)
    assert mixed.specimen_variance == pytest.approx(straight.specimen_variance, rel=1e-12)


def test_microns_scale_all_that_millimetres_give(rng: np.random.Generator) -> None:
    rows = [
        (str(run), s, "y", 20 + 0.1 * rng.normal())
        for run in range(1, 5)
        for s in "AB"
        for _ in "12"
    ]
    small = measure(respond("dimension", unit="mm", nominal=20.0), rows)
    scaled = [(*r[:3], 1000 * r[3]) for r in rows]
    large = measure(respond("dimension", unit="um", nominal=20000.0), scaled)
    np.testing.assert_allclose(large.prints["value"], 1000 * small.prints["value"], rtol=1e-9)
    assert large.specimen_variance == pytest.approx(1e6 * small.specimen_variance)
    assert large.repeat_variance == pytest.approx(1e6 * small.repeat_variance)
