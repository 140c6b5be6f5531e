"""Curves of known modulus and strength, made in the tests, and the published bending formulas."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from kit.bench.curves import CurveReading, read_curve
from kit.rehearse_bench import CurveTruth
from kit.study.curve_files import RawCurve
from kit.study.description import Curves
from tests.reference.cases import load_case

CASE = load_case("n01_flexure")
WIDTH, THICKNESS, SPAN = 10.0, 4.0, 64.0


def raw(table: pd.DataFrame) -> RawCurve:
    return RawCurve(
        "curves/1-A.csv", "1", "A", table["force"].to_numpy(), table["travel"].to_numpy()
    )


def bent(table: pd.DataFrame, **rig: float) -> CurveReading:
    return read_curve(raw(table), width=WIDTH, thickness=THICKNESS, span=SPAN, rig=Curves(**rig))


def recorded(rng: np.random.Generator, **truth: float) -> pd.DataFrame:
    return CurveTruth(3000.0, 80.0, **truth).record(WIDTH, THICKNESS, SPAN, rng)


def test_published_curve() -> None:
    table = CASE.table("curve.csv").rename(columns={"deflection_mm": "travel", "force_N": "force"})
    found = bent(table)
    CASE.check("flexural_modulus chord 0.0005-0.0025 of curve (MPa)", found.modulus)
    CASE.check("flexural_modulus regression 0.0005-0.0025 of curve (MPa)", found.modulus_regression)
    CASE.check("max flexural stress of curve (MPa)", found.strength)
    at = found.stress_at(CASE.value("flexural_strain deflection 6 mm h=4 L=64"))
    CASE.check(
        "flexural_stress at conventional deflection 1.5h = 6 mm of curve (strain 3.5 %) (MPa)", at
    )
    assert not found.broke
    assert np.isnan(found.strain_at_break)


@pytest.mark.parametrize(
    ("truth", "tolerance"),
    [({"toe_mm": 0.0, "noise_n": 0.0}, 2e-4), ({"noise_n": 0.0}, 1e-3), ({}, 0.02), ({"zero_n": 4.0}, 0.02), ({"rate_hz": 2.0}, 0.03)],
)  # fmt: skip
def test_modulus_and_strength_of_a_known_curve(
    truth: dict[str, float], tolerance: float, rng: np.random.Generator
) -> None:
    found = bent(recorded(rng, **truth))
    assert found.modulus == pytest.approx(3000, rel=tolerance)
    assert found.strength == pytest.approx(80, rel=min(tolerance, 0.005))
    assert found.zero_force == pytest.approx(truth.get("zero_n", 0.0), abs=0.2)
    strain = 100 * CurveTruth(3000.0, 80.0).peak_strain
    assert found.strain_at_break == pytest.approx(strain, rel=0.01)


def test_toe_is_taken_off(rng: np.random.Generator) -> None:
    found = bent(recorded(rng, toe_mm=0.1, noise_n=0.0))
    per_mm = 6 * THICKNESS / SPAN**2
    assert found.toe == pytest.approx(0.1 * per_mm, rel=0.05)


def test_a_toe_that_reaches_into_the_modulus_is_flagged(rng: np.random.Generator) -> None:
    found = bent(recorded(rng, toe_mm=0.4, noise_n=0.0))
    assert any("modulus" in flag for flag in found.flags)


def test_yield_only_where_it_stretches_on(rng: np.random.Generator) -> None:
    assert np.isnan(bent(recorded(rng)).yield_stress)
    found = bent(recorded(rng, past_peak=0.4))
    assert found.yield_stress == pytest.approx(80, rel=0.005)
    assert found.strain_at_break == pytest.approx(1.4 * found.strain_at_strength, rel=0.02)


def test_peak_lost_to_slow_sampling() -> None:
    # A straight rise at 20 N/s, broken at 99 N, recorded at 10 Hz and 2 Hz: up to 2 N and up to 10 N.
    for rate, lost in ((10.0, 2.0), (2.0, 10.0)):
        time = np.arange(0, 4.95, 1 / rate)
        table = pd.DataFrame(
            {"travel": np.append(time, 5.2) * 0.5, "force": np.append(20 * time, 0.0)}
        )
        found = bent(table)
        assert found.sampling_loss == pytest.approx(lost)
        assert any("higher" in flag for flag in found.flags)
        assert found.peak_force + found.sampling_loss >= 98.9


def test_the_limit_of_the_load_cell_is_a_lower_bound(rng: np.random.Generator) -> None:
    table = recorded(rng, straight=0.9)
    capped = table.assign(force=table["force"].clip(upper=100.0))
    assert not bent(table).censored
    assert bent(capped).censored  # a display that stands still while the load still rose steeply
    assert bent(table, force_limit=130.0).censored
    assert "at the limit of the instrument" in bent(capped).flags
    assert np.isnan(bent(capped).yield_stress)


def test_tension_by_the_measured_section_and_gauge_length() -> None:
    # 10 x 4 mm, 1000 N at 1.25 % of 50 mm: 25 MPa, and a modulus of 2000 MPa; worked by hand (ISO 527-1).
    extension = np.linspace(0, 0.625, 200)
    table = pd.DataFrame({"travel": extension, "force": 1600.0 * extension})
    curve = raw(table)
    found = read_curve(curve, width=10, thickness=4, rig=Curves(gauge_length=50))
    assert found.strength == pytest.approx(25.0)
    assert found.modulus == pytest.approx(2000.0)
    bare = read_curve(curve, width=10, thickness=4)
    assert bare.strength == pytest.approx(25.0)
    assert not bare.has_strain
    assert np.isnan(bare.modulus)


def test_the_give_of_the_rig_is_taken_off() -> None:
    extension = np.linspace(0, 0.625, 200)
    force = 1600.0 * extension
    table = pd.DataFrame({"travel": extension + 1e-4 * force, "force": force})
    found = read_curve(
        raw(table), width=10, thickness=4, rig=Curves(gauge_length=50, compliance=1e-4)
    )
    assert found.modulus == pytest.approx(2000.0)


@settings(max_examples=40, deadline=None)
@example([(f, 0.0) for f in (0, 0, 3, 3)] + [(f, 1.0) for f in (5, 10, 0, 0, 0)] + [(0, 0.25)])
@example([(f, 0.0) for f in (0, 0, 0, 1, 1)] + [(f, 1.0) for f in (1, 2, 0, 0)] + [(0, 1.9e-258)])
@given(st.lists(st.tuples(st.floats(-5, 500), st.floats(0, 20)), min_size=10, max_size=80))
def test_no_curve_makes_it_stumble(points: list[tuple[float, float]]) -> None:
    force, travel = np.array([p[0] for p in points]), np.sort(np.array([p[1] for p in points]))
    if force.max() <= force[0] or np.ptp(travel) == 0:
        return
    with np.errstate(all="ignore"):
        found = read_curve(RawCurve("c", "1", "A", force, travel), width=10, thickness=4, span=64)
    assert found.end >= found.peak
    assert np.isfinite(found.strength)
