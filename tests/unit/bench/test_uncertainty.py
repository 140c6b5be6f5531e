"""Combined uncertainty against example H.1 of the Guide (case n03)."""

from __future__ import annotations

import numpy as np
import pytest

from kit.bench.uncertainty import propagated_variance, satterthwaite_df
from tests.reference.cases import load_case

CASE = load_case("n03_gum_h1_end_gauge")


def test_end_gauge_of_the_guide() -> None:
    parts = CASE.table("components.csv")
    variances = parts["u_nm"].to_numpy(dtype=float) ** 2
    total = propagated_variance(np.ones((1, len(parts))), variances)[0]
    CASE.check("combined variance (nm^2)", total)
    CASE.check("combined standard uncertainty (nm)", np.sqrt(total))
    CASE.check(
        "effective degrees of freedom with unrounded u_c (31.67 nm)",
        satterthwaite_df(list(variances), parts["df"].tolist()),
    )


def test_known_parts_add_no_doubt() -> None:
    assert satterthwaite_df([4.0, 4.0], [8, np.inf]) == 4 * 8
    assert satterthwaite_df([0.0, 2.0], [3, np.inf]) == np.inf


def test_whole_arrays_at_once() -> None:
    found = satterthwaite_df([np.array([1.0, 4.0]), 0.0], [5, 9])
    assert found == pytest.approx([5, 5])
