"""Pooled scatter and the outlier tests of ISO 5725-2; the nested certification study of NIST."""

from __future__ import annotations

import numpy as np
import pytest

from kit.model.pooling import (
    cochran_critical,
    cochran_statistic,
    grubbs_critical,
    grubbs_statistic,
    one_way,
    pooled_variance,
)
from tests.reference.cases import load_case

COAL = load_case("i01_interlab_coal")
CRITICAL = load_case("i02_cochran_grubbs")
NESTED = load_case("g02_gauge_nested_resistivity")


@pytest.mark.parametrize("level", [1, 2, 3, 4])
def test_unequal_replicates_of_the_coal_study(level: int) -> None:
    rows = COAL.table().query("level == @level")
    found = one_way(rows["y"], list(rows["lab"]))
    between = max(0.0, (found.between - found.within) / found.size)
    means = rows.groupby("lab")["y"].mean()
    overall = [found.mean, np.sqrt(found.within), np.sqrt(found.within + between)]
    COAL.check(f"level {level} mean,s_r,s_R", overall)
    COAL.check(f"level {level} s_L", np.sqrt(between))
    COAL.check(f"level {level} cochran_C", cochran_statistic(rows.groupby("lab")["y"].var()))
    COAL.check(f"level {level} grubbs_high,grubbs_low", grubbs_statistic(means))


@pytest.mark.parametrize("id", [i for i in CRITICAL.expected if i.startswith("Cochran")])
def test_cochran_critical_values(id: str) -> None:
    p, n, alpha = (float(word.split("=")[1]) for word in id.split()[1:4])
    CRITICAL.check(id, cochran_critical(int(p), int(n), alpha=alpha))


@pytest.mark.parametrize("id", [i for i in CRITICAL.expected if i.startswith("Grubbs")])
def test_grubbs_critical_values(id: str) -> None:
    p, alpha = (float(word.split("=")[1]) for word in id.split()[3:5])
    CRITICAL.check(id, grubbs_critical(int(p), alpha=alpha))


def test_three_levels_of_the_resistivity_study() -> None:
    table = NESTED.table()
    level1 = table.groupby("run")["sd"].apply(lambda s: np.sqrt((s**2).mean()))
    NESTED.check("level1 repeatability_sd run1,run2", level1.to_numpy())
    for run, rows in table.groupby("run"):
        day = pooled_variance(rows["avg"], list(rows["wafer"]))
        expected = NESTED.value("level2 day_to_day_sd run1,run2")[int(run) - 1]
        assert np.sqrt(day[0]) == pytest.approx(expected, rel=1e-6)
    averages = table.groupby(["wafer", "run"])["avg"].mean().reset_index()
    run_to_run = pooled_variance(averages["avg"], list(averages["wafer"]))[0]
    NESTED.check("level3 run_to_run_sd", np.sqrt(run_to_run))


def test_one_group_is_refused() -> None:
    with pytest.raises(ValueError, match="two groups"):
        one_way([1.0, 2.0], ["a", "a"])
