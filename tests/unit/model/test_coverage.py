"""Honesty by simulation: intervals hold what they state in 93 to 97 % of 1,000 studies.

The bound is binomial: 0.95 plus or minus three standard errors of 1,000 trials is 0.929 to 0.971.
Seeds are fixed, so a run either always passes or never.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kit.bench.instruments import specimen_results
from kit.model.effects import effects_table
from kit.model.fit import fit_surface
from kit.model.predict import predict
from kit.study.data import StudyData
from kit.study.description import Factor, Response, Study
from kit.terms import expand_terms, model_matrix
from tests.unit.model.builders import composite, make_measured, make_runs

pytestmark = pytest.mark.slow

STUDIES = 1000

ASKED = {"nozzle": [210.0, 195.0, 225.0], "speed": [80.0, 100.0, 50.0], "fan": [60.0, 30.0, 90.0]}


def study_of(**response: object) -> Study:
    return Study(
        title="coverage",
        factor=(
            Factor(name="nozzle", kind="nozzle_temperature", unit="degC", low=190, high=230),
            Factor(name="speed", kind="speed", unit="mm/s", low=40, high=120),
            Factor(name="fan", kind="fan_duty", unit="%", low=20, high=100),
        ),
        response=(Response(name="gloss", unit="GU", recipe="gloss", **response),),
    )


def settings() -> pd.DataFrame:
    """A face-centred composite of 18 prints."""
    x = composite(k=3, centre=4)
    return pd.DataFrame(
        {"nozzle": 210 + 20 * x["x1"], "speed": 80 + 40 * x["x2"], "fan": 60 + 40 * x["x3"]}
    )


TRUE = np.array([42.0, 6, -5, 1, 2, 0.5, -1, -3, 1.5, 0.7])


def means(study: Study, table: dict[str, list[float]] | pd.DataFrame) -> np.ndarray:
    """The true mean: a full second-order surface in coded units."""
    terms = expand_terms(study.coding, "second_order")
    return np.asarray(model_matrix(study.coding, terms, study.coding.code(dict(table))) @ TRUE)


def within(share: np.ndarray) -> None:
    assert ((share >= 0.93) & (share <= 0.97)).all(), share


@pytest.mark.parametrize("blocked", [False, True])
def test_coefficients_means_and_new_prints(blocked: bool) -> None:
    rng = np.random.default_rng(310 + blocked)
    study, table = study_of(), settings()
    block = np.resize([1, 2, 3], len(table)) if blocked else np.ones(len(table), dtype=int)
    shift = np.array([0.0, -4, 1, 3])[block] if blocked else 0.0  # sums to 0: an average block
    runs = make_runs(table, block=block.tolist())
    mean, asked = means(study, table), means(study, ASKED)
    hits = {"coefficients": np.zeros(len(TRUE)), "mean": np.zeros(3), "print": np.zeros(3)}
    for _ in range(STUDIES):
        y = mean + shift + 2 * rng.normal(size=len(table))
        surface = fit_surface(make_measured(study, runs, y.tolist()), runs, study)
        terms = effects_table(surface).iloc[: len(TRUE)]
        hits["coefficients"] += (terms["low"] <= TRUE) & (terms["high"] >= TRUE)
        for what, new in (("mean", asked), ("print", asked + 2 * rng.normal(size=3))):
            found = predict(surface, ASKED, what=what)
            hits[what] += ((found["low"] <= new) & (found["high"] >= new)).to_numpy()
    for counted in hits.values():
        within(counted / STUDIES)


def test_new_parts_when_a_print_holds_three() -> None:
    # Prints scatter by 1.5 GU, the specimens of one print by 2 GU; a new part has both.
    rng = np.random.default_rng(41)
    study, table = study_of(), settings()
    runs = make_runs(table)
    mean, asked = means(study, table), means(study, ASKED)
    rows = runs.loc[runs.index.repeat(3), ["run"]].reset_index(drop=True)
    readings = rows.assign(
        row=range(2, len(rows) + 2),
        specimen=np.resize(list("ABC"), len(rows)),
        quantity="gloss",
        unit="GU",
        repeat=1,
        operator="",
        instrument="",
        excluded="",
        note="",
    )
    hits = np.zeros(3)
    for _ in range(STUDIES):
        prints = mean + 1.5 * rng.normal(size=len(table))
        parts = np.repeat(prints, 3) + 2 * rng.normal(size=len(rows))
        data = StudyData(study, runs, readings.assign(value=parts))
        surface = fit_surface(specimen_results(data)["gloss"], runs, study)
        new = asked + 1.5 * rng.normal(size=3) + 2 * rng.normal(size=3)
        found = predict(surface, ASKED, what="part")
        hits += ((found["low"] <= new) & (found["high"] >= new)).to_numpy()
    within(hits / STUDIES)
