"""The loader of check cases: every folder loads, and a wrong number is caught."""

from __future__ import annotations

import numpy as np
import pytest

from tests.reference.cases import case_names, load_case


@pytest.mark.parametrize("name", case_names())
def test_every_case_names_its_source_and_values(name: str) -> None:
    case = load_case(name)
    assert case.source["title"]
    assert case.expected
    for id in case.expected:
        case.check(id, case.value(id))


def test_a_wrong_number_is_caught() -> None:
    case = load_case("r01_chemical_ccd_yield")
    with pytest.raises(AssertionError, match="Response Surface Methodology"):
        case.check("residual_mean_square", case.value("residual_mean_square") * (1 + 2e-6))
    with pytest.raises(AssertionError):
        case.check("coefficients", np.append(case.value("coefficients"), 0.0))
    with pytest.raises(AssertionError):
        case.check("nature", "saddle")
    with pytest.raises(AssertionError):
        case.check("residual_df", 8)
    with pytest.raises(KeyError):
        case.check("no such number", 1.0)
