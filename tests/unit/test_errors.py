from __future__ import annotations

import pickle

import pytest

from kit import errors
from kit.errors import KitError, ModelError, NotEstimableError, Problem, StudyError

PROBLEMS = (
    Problem("readings.csv", 14, "value", "found 612, expected 0 to 200 GU."),
    Problem("study.toml", 3, "factor[1].low", "swap them."),
)


def test_a_problem_is_one_line_that_names_its_place() -> None:
    assert str(PROBLEMS[0]) == "readings.csv:14:value  found 612, expected 0 to 200 GU."


def test_a_study_error_lists_all_problems_in_their_order() -> None:
    assert str(StudyError(iter(PROBLEMS))) == (
        "2 problems; nothing was changed.\n"
        "  readings.csv:14:value  found 612, expected 0 to 200 GU.\n"
        "  study.toml:3:factor[1].low  swap them."
    )
    assert str(StudyError(PROBLEMS[:1])).startswith("1 problem; ")


def test_errors_keep_their_data_across_processes() -> None:
    study = pickle.loads(pickle.dumps(StudyError(PROBLEMS)))
    assert study.problems == PROBLEMS
    assert str(study) == str(StudyError(PROBLEMS))
    model = pickle.loads(pickle.dumps(NotEstimableError(["nozzle", "fan"], "cannot be told apart")))
    assert (model.terms, str(model)) == (("nozzle", "fan"), "cannot be told apart")
    assert isinstance(model, ModelError)


@pytest.mark.parametrize(
    "name", [n for n in dir(errors) if n.endswith("Error") and n != "KitError"]
)
def test_every_error_is_the_kits_and_a_built_in(name: str) -> None:
    kind = getattr(errors, name)
    assert issubclass(kind, KitError)
    assert issubclass(kind, ValueError | RuntimeError)
    assert kind.__doc__
