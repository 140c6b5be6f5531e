"""Effects in natural units, worked by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from kit.model.effects import effects_table, fit_summary, step_effects
from kit.model.fit import fit_surface
from kit.study.description import Factor, Response, Study
from tests.unit.model.builders import coded_factors, composite, make_measured, make_runs, surface_of


def spools() -> tuple[Study, pd.DataFrame, np.ndarray]:
    """Gloss rises 0.5 GU a degree on white and 0.7 on pink, which starts 2 GU higher at 210 degC."""
    study = Study(
        title="t",
        factor=(
            Factor(
                name="nozzle", kind="nozzle_temperature", unit="degC", low=190, high=230, step=5
            ),
            Factor(name="spool", kind="category", levels=("white", "pink")),
        ),
        response=(Response(name="gloss", unit="GU"),),
    )
    nozzle = np.tile([190.0, 210, 230], 4)
    pink = np.repeat([0, 1], 6)
    runs = make_runs({"nozzle": nozzle, "spool": np.where(pink, "pink", "white")})
    gloss = 30 + (nozzle - 210) * (0.5 + 0.2 * pink) + 2 * pink
    return study, runs, gloss + 1e-6 * np.tile([1, -1], 6)


def test_each_setting_in_its_own_unit() -> None:
    study, runs, gloss = spools()
    surface = fit_surface(make_measured(study, runs, gloss.tolist()), runs, study)
    found = step_effects(surface, study).set_index("factor")
    assert found.loc["nozzle", ["unit", "from", "to"]].tolist() == ["degC", 190, 230]
    # Averaged over both spools: 0.6 GU a degree.
    assert found.loc["nozzle", "estimate"] == pytest.approx(24.0, abs=1e-4)
    assert found.loc["nozzle", "step"] == 5
    assert found.loc["nozzle", "step_estimate"] == pytest.approx(3.0, abs=1e-4)
    assert found.loc["spool", ["unit", "from", "to"]].tolist() == ["", "white", "pink"]
    assert found.loc["spool", "estimate"] == pytest.approx(2.0, abs=1e-4)
    assert np.isnan(found.loc["spool", "step_estimate"])


def test_intervals_of_main_effects_are_those_of_twice_the_coefficient(
    rng: np.random.Generator,
) -> None:
    study_factors = coded_factors()
    surface = surface_of(composite().assign(y=rng.normal(size=12)), study_factors)
    study = Study(
        title="t",
        factor=tuple(Factor(name=n, low=lo, high=hi) for n, (lo, hi) in study_factors.items()),
        response=(surface.response,),
    )
    steps, terms = step_effects(surface, study), effects_table(surface).set_index("term")
    for row in steps.itertuples():
        assert row.estimate == pytest.approx(2 * terms.loc[row.factor, "estimate"])
        assert row.low == pytest.approx(2 * terms.loc[row.factor, "low"])
        assert row.high == pytest.approx(2 * terms.loc[row.factor, "high"])


def test_terms_have_t_intervals_and_p(rng: np.random.Generator) -> None:
    surface = surface_of(composite().assign(y=rng.normal(size=12)), coded_factors())
    found = effects_table(surface)
    assert list(found) == ["term", "estimate", "std_error", "df", "low", "high", "p"]
    t = found["estimate"] / found["std_error"]
    np.testing.assert_allclose(found["p"], 2 * stats.t.sf(np.abs(t), 6))
    half = stats.t.ppf(0.975, 6) * found["std_error"]
    np.testing.assert_allclose(found["high"] - found["low"], 2 * half)


def test_summary_row(rng: np.random.Generator) -> None:
    surface = surface_of(composite().assign(y=rng.normal(size=12)), coded_factors(), unit="mm")
    row = fit_summary(surface).iloc[0]
    assert row[["response", "unit", "runs", "coefficients", "df"]].tolist() == ["y", "mm", 12, 6, 6]
    # Mean leverage is p/n.
    assert row["print_miss"] == pytest.approx(row["residual_sd"] * np.sqrt(1 + 6 / 12))
