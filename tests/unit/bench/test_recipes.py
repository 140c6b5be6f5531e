"""Instrument formulas against their standards' numbers (cases n01, n02) and the Fresnel equations."""

from __future__ import annotations

import numpy as np
import pytest

from kit.bench.recipes import (
    PLA_INDEX,
    advised_geometry,
    bending_speed,
    deflection_at_strain,
    flexural_strain,
    flexural_stress,
    smooth_gloss,
    specular_reflectance,
    tensile_stress,
    wide_span_stress,
)
from tests.reference.cases import load_case

FLEXURE = load_case("n01_flexure")
GLOSS = load_case("n02_gloss_geometry")


def test_bending_formulas_meet_the_standard() -> None:
    FLEXURE.check(
        "flexural_stress F=100 N b=10 h=4 L=64 mm (MPa)", flexural_stress(100.0, 64.0, 10.0, 4.0)
    )
    FLEXURE.check("flexural_strain deflection 6 mm h=4 L=64", flexural_strain(6.0, 4.0, 64.0))
    FLEXURE.check(
        "deflections for strain 0.0005 and 0.0025 (mm), h=4 L=64",
        [deflection_at_strain(strain, 4.0, 64.0) for strain in (0.0005, 0.0025)],
    )
    FLEXURE.check(
        "crosshead speed for 1 %/min strain rate, v = L^2*0.01/(6h) (mm/min)",
        bending_speed(4.0, 64.0),
    )
    FLEXURE.check(
        "large-span corrected stress (L/h>16): 3FL/(2bh^2)*(1+6(D/L)^2-4(h/L)(D/L)) with D=8",
        wide_span_stress(100.0, 64.0, 10.0, 4.0, 8.0),
    )


def test_largest_stress_of_a_recorded_curve() -> None:
    curve = FLEXURE.table("curve.csv")
    stress = flexural_stress(curve["force_N"].to_numpy(), 64.0, np.float64(10.0), np.float64(4.0))
    FLEXURE.check("max flexural stress of curve (MPa)", stress.max())


def test_tensile_stress_is_force_over_section() -> None:
    # ISO 527-1: 1 N on 1 mm2 is 1 MPa.
    assert tensile_stress(1600.0, 10.0, 4.0) == 40.0


def test_geometry_advice_follows_the_standard() -> None:
    for gloss, angle in GLOSS.value("60 degree reading -> recommended geometry").items():
        assert advised_geometry(float(gloss)) == angle


def test_black_glass_reflects_as_the_standard_says() -> None:
    GLOSS.check(
        "Fresnel specular reflectance of black glass n=1.567 at 20, 60, 85 degrees "
        "(assigned 100 gloss units)",
        [specular_reflectance(1.567, angle) for angle in (20, 60, 85)],
    )


@pytest.mark.parametrize(("angle", "gloss"), [(20, 71.5), (60, 82.2), (85, 98.2)])
def test_highest_gloss_of_smooth_pla(angle: float, gloss: float) -> None:
    # Fresnel, index of PLA from J. Polym. Environ. 14 (2006) 119-124.
    assert smooth_gloss(PLA_INDEX, angle) == pytest.approx(gloss, abs=0.05)
