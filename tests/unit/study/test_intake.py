"""What intake makes of the healthy study, of single slips in it, and of noise."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kit.errors import StudyError
from kit.study.folder import INPUT_FILES
from kit.study.intake import find_problems, take_in
from tests.unit.study.conftest import STUDIES

Change = Callable[..., Path]


def problems_of(folder: Path) -> list[str]:
    return [str(p) for p in find_problems(folder)[1]]


def test_healthy_study_is_taken_in_whole(healthy: Path) -> None:
    data = take_in(healthy)
    assert data.runs["run"].tolist() == ["1", "2", "3", "4", "5", "6"]
    assert data.runs["nozzle"].tolist() == [190, 230, 190, 230, 210, 210]
    assert data.runs["nozzle_actual"].tolist() == [190, 231, 190, 230, 210, 210]
    assert data.runs["spool_actual"].tolist() == data.runs["spool"].tolist()
    assert data.runs["note"][2] == "came off the bed, corner up"
    assert data.readings["row"].tolist() == list(range(2, 20))  # row 20 has no value
    assert data.study.factors[1].unit == "mm/s"  # left out in the file
    assert data.study.responses[1].unit == "GU"


def test_values_are_converted_into_the_unit_of_their_quantity(healthy: Path) -> None:
    readings = take_in(healthy).readings.set_index("row")
    assert readings.loc[4, ["value", "unit"]].tolist() == [20.01, "mm"]  # 20010 um
    # Hook scales show kilograms-force: standard gravity 9.80665 m/s2 (ISO 80000-4).
    assert readings.loc[13, "value"] == pytest.approx(12.1 * 9.80665)
    assert readings.loc[13, "unit"] == "N"


def test_readings_know_response_and_part(healthy: Path) -> None:
    readings = take_in(healthy).readings.set_index("row")
    assert readings.loc[7, ["response", "part"]].tolist() == ["bending_strength", "force"]
    assert readings.loc[[11, 12], "part"].tolist() == ["along", "across"]
    assert readings.loc[19, ["response", "part"]].tolist() == ["bending_strength", "value"]


def test_excluded_values_keep_their_reason_and_are_not_judged(healthy: Path) -> None:
    readings = take_in(healthy).readings.set_index("row")
    assert readings.loc[17, ["value", "excluded", "note"]].tolist() == [
        612.0,
        "slip of the pen",
        "was 61.2",
    ]


def test_notices_say_what_is_normal_but_worth_knowing(healthy: Path) -> None:
    notices = " ".join(take_in(healthy).notices)
    assert "4 of 6 runs printed, 1 failed, 1 still planned: results so far are interim." in notices
    assert "Run 3 failed" in notices
    assert "Printed but not yet measured: run 5." in notices
    assert "without a value so far: 1 of 19" in notices
    assert "Readings without a unit, taken in the unit of their quantity: 1." in notices


def test_digests_are_sha256_of_the_files(healthy: Path) -> None:
    digests = take_in(healthy).digests
    assert list(digests) == list(INPUT_FILES)
    for name, digest in digests.items():
        assert digest == hashlib.sha256((healthy / name).read_bytes()).hexdigest()


def test_nothing_is_written_by_taking_in(healthy: Path) -> None:
    before = {p.name: p.read_bytes() for p in healthy.iterdir()}
    take_in(healthy)
    assert {p.name: p.read_bytes() for p in healthy.iterdir()} == before


def test_shuffled_readings_give_the_same_values(healthy: Path) -> None:
    first = take_in(healthy).readings
    head, *rows = (healthy / "readings.csv").read_text(encoding="utf-8").splitlines()
    random.Random(3).shuffle(rows)
    (healthy / "readings.csv").write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    again = take_in(healthy).readings
    keys = ["run", "specimen", "quantity", "repeat"]
    columns = [*keys, "value", "unit", "excluded", "note"]
    a, b = (t[columns].sort_values(keys, ignore_index=True) for t in (first, again))
    assert a.equals(b)


def test_readings_of_failed_runs_are_kept_but_left_out(change: Change) -> None:
    folder = change("readings.csv", ("4,B,gloss,,GU,1", "3,A,gloss,33,GU,1"))
    data = take_in(folder)
    assert data.readings.set_index("row").loc[20, "excluded"] == "run failed"
    assert "Readings of failed runs, kept but not used: 1." in data.notices


def test_reading_of_a_planned_run_asks_for_its_status(change: Change) -> None:
    folder = change("readings.csv", ("4,B,gloss,,GU,1", "6,A,gloss,33,GU,1"))
    assert problems_of(folder) == [
        "readings.csv:20:run  run 6 is still planned in runs.csv but has a reading; set its status to printed or failed."
    ]


def test_readings_without_a_plan_are_one_problem(healthy: Path) -> None:
    (healthy / "runs.csv").unlink()
    [problem] = problems_of(healthy)
    assert problem.startswith("readings.csv:0:  there are readings but no runs.csv")


def test_missing_folder_and_missing_description() -> None:
    for folder in (Path("no-such-folder"), STUDIES):
        with pytest.raises(StudyError, match=r"study\.toml:0:  not found"):
            take_in(folder)


def test_a_folder_in_place_of_a_file_is_a_problem(healthy: Path) -> None:
    (healthy / "readings.csv").unlink()
    (healthy / "readings.csv").mkdir()
    [problem] = problems_of(healthy)
    assert "readings.csv:0:  cannot be opened" in problem


def test_two_responses_with_the_same_inputs_need_the_long_names(change: Change) -> None:
    folder = change(
        "study.toml", ("[design]", '[[response]]\nname = "pull"\nfrom = "tensile"\n\n[design]')
    )
    found = problems_of(folder)
    assert len(found) == 6  # force, width, thickness of two specimens
    assert found[0].endswith(
        "'force' could belong to several responses; write bending_strength_force or pull_force."
    )
    text = (folder / "readings.csv").read_text(encoding="utf-8")
    for part in ("force", "width", "thickness"):
        text = text.replace(f",{part},", f",bending_strength_{part},")
    (folder / "readings.csv").write_text(text, encoding="utf-8")
    data = take_in(folder)
    assert set(data.readings.loc[data.readings["part"] == "force", "response"]) == {
        "bending_strength"
    }
    assert "bending_strength_force" in set(data.readings["quantity"])


def test_long_and_short_name_are_the_same_reading(change: Change) -> None:
    folder = change(
        "readings.csv",
        ("1,A,width,10.02,mm,1,ola,caliper", "1,A,bending_strength_force,10.02,N,1,ola,scale"),
    )
    [problem] = problems_of(folder)
    assert problem.startswith("readings.csv:8:repeat  the same reading stands in row 7 already")


def test_a_broken_factor_does_not_hide_faults_of_the_tables(change: Change) -> None:
    change("study.toml", ('name = "speed"', 'name = "sp eed"'), ("low = 190", 'low = "190"'))
    folder = change("runs.csv", ("4,1,1,4,230", "4,1,1,4,hot"))
    found = problems_of(folder)
    assert any(p.startswith("study.toml:27:factor[1].low") for p in found)
    assert any(p.startswith("runs.csv:5:nozzle") for p in found)


def test_unreadable_recipe_does_not_make_its_readings_strangers(change: Change) -> None:
    folder = change("study.toml", ('from = "three_point_bending"', 'from = "three_points"'))
    [problem] = problems_of(folder)
    assert problem.startswith("study.toml:59:response[3].from")


def test_a_hundred_thousand_rows(healthy: Path) -> None:
    head = (healthy / "readings.csv").read_text(encoding="utf-8").splitlines()[0]
    values = np.random.default_rng(1).uniform(30, 60, 100_000).round(1)
    rows = [
        f"{'1245'[i % 4]},S{i // 400},gloss,{v},GU,{i % 400 // 4 + 1},,,,"
        for i, v in enumerate(values)
    ]
    rows[70_000] = rows[70_000].replace(",GU,", ",mm,")
    (healthy / "readings.csv").write_text("\n".join([head, *rows, rows[5]]), encoding="utf-8")
    _, problems = find_problems(healthy)
    assert [(p.row, p.column) for p in problems] == [(70_002, "unit"), (100_002, "repeat")]


junk = st.binary(max_size=200) | st.text(max_size=100).map(
    lambda t: t.encode("utf-8", "surrogatepass")
)


@settings(
    max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(file=st.sampled_from(INPUT_FILES), content=junk, keep=st.floats(0, 1))
def test_random_bytes_raise_nothing_but_study_errors(
    healthy: Path, file: str, content: bytes, keep: float
) -> None:
    original = (STUDIES / "healthy" / file).read_bytes()
    cut = int(len(original) * keep)
    (healthy / file).write_bytes(original[:cut] + content + original[cut:])
    with suppress(StudyError):
        take_in(healthy)
    (healthy / file).write_bytes(original)


@settings(
    max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(
    source=st.randoms(use_true_random=False),
    dirty=st.sampled_from(sorted(p.name for p in STUDIES.iterdir())),
)
def test_mixed_up_files_raise_nothing_but_study_errors(
    healthy: Path, source: random.Random, dirty: str
) -> None:
    """Lines of one study swapped, dropped and doubled, beside the tables of another."""
    lines = (STUDIES / dirty / "study.toml").read_text(encoding="utf-8").splitlines()
    for _ in range(source.randint(0, 4)):
        a, b = source.randrange(len(lines)), source.randrange(len(lines))
        lines[a], lines[b] = source.choice(
            [(lines[b], lines[a]), (lines[a], lines[a]), ("", lines[b])]
        )
    (healthy / "study.toml").write_text("\n".join(lines), encoding="utf-8")
    for name in ("runs.csv", "readings.csv"):
        other = STUDIES / source.choice(["healthy", dirty, "runs_dirt", "names"]) / name
        if other.exists():
            (healthy / name).write_bytes(other.read_bytes())
    with suppress(StudyError):
        take_in(healthy)
