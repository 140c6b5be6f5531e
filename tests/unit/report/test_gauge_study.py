"""The gauge plan, and the gauge study from files to page."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.cli import main
from kit.design.gauge_plan import gauge_quantity, plan_gauge
from kit.errors import DesignError, MeasurementError
from kit.report.document import Answer, flatten
from kit.report.gauge_study import gauge_results, study_gauge
from kit.report.show_gauge import (
    show_gauge_answer,
    show_gauge_components,
    show_gauge_readings,
    show_gauge_repeats,
)
from kit.report.show_references import show_references
from kit.study.read import read_study
from tests.measuring_data import FOLDER


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    shutil.copytree(FOLDER, tmp_path / "study")
    return tmp_path / "study"


@pytest.fixture
def plan(rng: np.random.Generator) -> pd.DataFrame:
    read = gauge_quantity(read_study(FOLDER), "clip_width")
    return plan_gauge(read, rng, parts=6, operators=["Ada", "Ben"], repeats=3)


def test_every_operator_reads_every_part_so_often(plan: pd.DataFrame) -> None:
    counts = plan.groupby(["operator", "part"])["repeat"].agg(list)
    assert len(counts) == 12
    assert all(sorted(repeats) == [1, 2, 3] for repeats in counts)
    assert list(plan["order"]) == list(range(1, 37))


def test_nobody_reads_a_part_again_before_all_others(plan: pd.DataFrame) -> None:
    for _, rows in plan.groupby("operator"):
        rounds = [set(rows["part"].iloc[i : i + 6]) for i in range(0, 18, 6)]
        assert all(len(parts) == 6 for parts in rounds)
        orders = {tuple(rows["part"].iloc[i : i + 6]) for i in range(0, 18, 6)}
        assert len(orders) > 1


def test_own_parts_for_every_operator(rng: np.random.Generator) -> None:
    read = gauge_quantity(read_study(FOLDER), "strength")
    plan = plan_gauge(read, rng, parts=4, operators=["Ada", "Ben"], repeats=2, nested=True)
    assert len(plan[["part", "operator"]].drop_duplicates()) == 8
    assert plan["part"].nunique() == 8


@pytest.mark.parametrize(
    "wrong",
    [
        {"parts": 1},
        {"repeats": 1},
        {"operators": ["Ada", "Ada"]},
        {"operators": ["Ada", ""]},
        {"parts": 1000},
    ],
)
def test_plans_that_tell_nothing_are_refused(
    wrong: dict[str, object], rng: np.random.Generator
) -> None:
    with pytest.raises(DesignError):
        plan_gauge(gauge_quantity(read_study(FOLDER)), rng, **wrong)


def test_command_plans_and_refuses_to_lose_readings(
    demo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = [
        "plan",
        str(demo),
        "--gauge",
        "strength",
        "--parts",
        "5",
        "--operators",
        "Ada, Ben",
        "--repeats",
        "2",
    ]
    assert main(command) == 0
    assert "20 readings of strength" in capsys.readouterr().out
    sheet = (demo / "sheets" / "gauge.html").read_text(encoding="utf-8")
    assert "Round 2, operator Ben" in sheet
    assert "eye" in sheet.lower()  # a breaking test carries its caution
    first = (demo / "gauge-to-fill.csv").read_bytes()
    assert main(command) == 0
    assert (demo / "gauge-to-fill.csv").read_bytes() == first
    (demo / "gauge-to-fill.csv").write_text(
        first.decode().replace(",strength,,", ",strength,60.1,", 1), encoding="utf-8"
    )
    assert main(command) == 1
    assert main(["plan", str(demo), "--gauge", "colour"]) == 1
    assert "nothing this study reads" in capsys.readouterr().err


def test_study_finds_what_the_truth_holds(demo: Path) -> None:
    study = study_gauge(demo)
    width = study.gauges["clip_width"]
    assert width.layout == "crossed"
    assert width.repeatability.sd == pytest.approx(0.010, rel=0.25)
    assert width.components["part"].sd_low <= 0.045 <= width.components["part"].sd_high
    assert study.gauges["gloss"].components["reproducibility"] is None
    assert (
        study.biases["long caliper"].slope.low <= 0.0003 <= study.biases["long caliper"].slope.high
    )
    assert study.biases["pocket glossmeter"].slope is None
    assert study.share("clip_width") == pytest.approx(6 * width.measuring_sd / 0.2)


def test_numbers_are_full_and_name_nobody(demo: Path) -> None:
    numbers = gauge_results(study_gauge(demo))
    assert numbers["schema"] == 1
    assert numbers["gauge"]["gloss"]["components"]["reproducibility"] is None
    assert numbers["gauge"]["clip_width"]["components"]["repeatability"]["sd"] > 0
    for name in ("Ada", "Ben", "Cem"):
        assert name not in str(numbers)
    assert numbers == gauge_results(study_gauge(demo))


def test_stated_scatter_between_prints_counts(demo: Path) -> None:
    study = study_gauge(demo, run_sd=0.005)
    s = study.gauges["clip_width"].repeat_sd
    assert study.repeats("clip_width") == int(np.ceil(s**2 / (0.21 * 0.005**2)))


def test_page_says_the_answer_first_and_what_is_not_estimable(demo: Path) -> None:
    study = study_gauge(demo, run_sd=0.02)
    answer = next(b for b in flatten([show_gauge_answer(study)]) if isinstance(b, Answer))
    assert answer.sentence.startswith("One reading of clip width is good to ±")
    text = "\n".join(
        show(study).plain()
        for show in (
            show_gauge_components,
            show_gauge_readings,
            show_gauge_repeats,
            show_references,
        )
    )
    assert "not estimable" in text
    assert "wide" in text or "width of the requirement" in text


def test_without_the_files_it_says_how_to_begin(demo: Path) -> None:
    for name in ("gauge.csv", "references.csv"):
        (demo / name).unlink()
    with pytest.raises(MeasurementError, match="--gauge"):
        study_gauge(demo)
