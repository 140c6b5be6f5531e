"""Comparisons and pools leave special fits aside, and say so."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.bench.measured import censored_runs
from kit.model.compare import compare_levels
from kit.model.plainly import limit_note, taken_plainly
from kit.study.description import ModelChoice
from tests.unit.model.builders import make_measured, make_runs, make_study


def test_nothing_special_is_left_alone() -> None:
    study = make_study({"x1": (-1.0, 1.0)})
    runs = make_runs({"x1": [-1.0, 1.0]})
    measured = make_measured(study, runs, [1.0, 2.0])
    assert taken_plainly(measured, study) == (measured, study, ())
    assert limit_note(measured) == ""


def test_a_comparison_takes_one_scatter_all_terms_and_readings_as_they_stand() -> None:
    study = make_study({"x1": (-1.0, 1.0), "spool": ("white", "pink")}, terms="main")
    response = study.responses[0].model_copy(update={"spread": ("spool",)})
    special = study.model_copy(
        update={
            "response": (response,),
            "model": ModelChoice(terms="main", selection="aicc"),
        }
    )
    runs = make_runs(
        pd.DataFrame({"x1": np.tile([-1.0, 1.0], 10), "spool": np.repeat(["white", "pink"], 10)})
    )
    y = np.random.default_rng(5).normal(20, 1, size=20)
    measured = make_measured(special, runs, y)
    measured.prints["censored"] = y > 21.5
    assert censored_runs(measured)
    found = compare_levels(measured, runs, special, "spool")
    plain = compare_levels(make_measured(study, runs, y), runs, study, "spool")
    np.testing.assert_allclose(found.levels["estimate"], plain.levels["estimate"])
    said = " ".join(found.notes)
    for words in ("one scatter", "all terms", "counts as it was read"):
        assert words in said
