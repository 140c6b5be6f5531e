"""Known bias taken off readings, its doubt carried on, and curves becoming results."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.bench.correction import correct_readings, correction_u
from kit.bench.instruments import specimen_results
from kit.study.intake import take_in
from tests.measuring_data import FOLDER, files_of


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    shutil.copytree(FOLDER, tmp_path / "study")
    return tmp_path / "study"


def test_the_demo_study_is_what_its_truth_makes() -> None:
    for name, text in files_of().items():
        assert (FOLDER / name).read_text(encoding="utf-8") == text, name


def test_sizes_come_out_true_once_the_caliper_is_corrected(demo: Path) -> None:
    measured = specimen_results(take_in(demo))
    (demo / "references.csv").unlink()
    raw = specimen_results(take_in(demo))
    for name, nominal in (("clip_width", 20.0), ("rail_length", 75.0)):
        shift = raw[name].prints["value"] - measured[name].prints["value"]
        # The truth of the caliper: 0.02 mm and 0.03 % too much.
        assert shift.mean() == pytest.approx(
            0.02 + 0.0003 * nominal, abs=2 * measured[name].u_correction
        )
        assert raw[name].u_correction == 0
        assert measured[name].u_correction > 0
    assert any("corrected" in note for note in measured["gloss"].notes)


def test_doubts_of_one_instrument_add_up_and_of_two_do_not() -> None:
    table = pd.DataFrame(
        {"part": ["width", "thickness"], "bias_of": ["caliper", "caliper"], "u_bias": [0.01, 0.01]}
    )
    slopes = np.array([-2.0, -5.0])
    assert correction_u(table, ["width", "thickness"], slopes) == pytest.approx(0.07)
    table["bias_of"] = ["caliper", "micrometer"]
    assert correction_u(table, ["width", "thickness"], slopes) == pytest.approx(
        np.hypot(0.02, 0.05)
    )


def test_readings_of_other_instruments_stay(demo: Path) -> None:
    data = take_in(demo)
    corrected = correct_readings(data.readings.assign(instrument="ruler"), data.references)
    assert (corrected.readings["value"] == data.readings["value"]).all()


def test_a_reading_far_outside_the_references_is_named(demo: Path) -> None:
    path = demo / "references.csv"
    table = pd.read_csv(path)
    table[~((table["instrument"] == "long caliper") & (table["true_value"] > 15))].to_csv(
        path, index=False
    )
    notes = specimen_results(take_in(demo))["rail_length"].notes
    assert any("outside the references" in note for note in notes)


def test_curves_give_strength_and_modulus(demo: Path) -> None:
    measured = specimen_results(take_in(demo))
    assert len(measured["strength"].prints) == 10
    # Truths at the middle of the region: 66 MPa and 2700 MPa; prints scatter with 1.4 and 30.
    assert measured["strength"].prints["value"].mean() == pytest.approx(66, abs=1.5)
    assert measured["modulus"].prints["value"].mean() == pytest.approx(2700, abs=45)


def test_an_excluded_bar_leaves_its_curve_out(demo: Path) -> None:
    path = demo / "readings.csv"
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    bar = (table["run"] == "01") & (table["specimen"] == "A") & (table["quantity"] == "width")
    table.loc[bar, "excluded"] = "cracked while it was taken off the plate"
    table.to_csv(path, index=False)
    measured = specimen_results(take_in(demo))
    for name in ("strength", "modulus"):
        assert ("01", "A") not in set(
            zip(measured[name].specimens["run"], measured[name].specimens["specimen"], strict=True)
        )


def test_a_break_at_the_grip_is_flagged_and_kept(demo: Path) -> None:
    path = demo / "readings.csv"
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    bar = (table["run"] == "01") & (table["specimen"] == "A") & (table["quantity"] == "width")
    table.loc[bar, "note"] = "broke right at the support"
    table.to_csv(path, index=False)
    found = specimen_results(take_in(demo))["strength"]
    flags = found.specimens.set_index(["run", "specimen"])["flags"]
    assert "broke at a support" in flags["01", "A"]
    assert any("broke at a support: 01-A" in note for note in found.notes)
