"""How a study asks for a scale wrongly."""

from __future__ import annotations

import pytest

from kit.study.read import study_problems

HEAD = """title = "t"
[[factor]]
name = "nozzle"
low = 190
high = 230
[[response]]
name = "peel"
{response}
"""


def problems(response: str) -> str:
    return "\n".join(str(p) for p in study_problems(HEAD.format(response=response))[1])


@pytest.mark.parametrize(
    "response",
    [
        'scale = "log"\nlower = 3',
        "scale = -0.5",
        "scale = 0",
        'scale = "power"\ntarget = 4',
        'scale = "share"\nupper = 0.2',
        'scale = "share"\nunit = "%"\nupper = 20',
        'scale = "share"\nbounds = [1, 5]\nlower = 2',
        'scale = "as_measured"\nlower = -3',
    ],
)
def test_scales_that_can_be_asked_for(response: str) -> None:
    assert problems(response) == ""


@pytest.mark.parametrize(
    ("response", "said"),
    [
        ('scale = "logg"', "scale"),
        ("scale = 4", "a power lies within −3 to 3"),
        ('scale = "log"\nlower = 0', "so a limit must be too"),
        ("scale = 0.5\nupper = -2", "so a limit must be too"),
        ('scale = "share"\nupper = 20', "does not lie between the bounds 0 and 1"),
        ('scale = "share"\nbounds = [5, 1]', "the lower comes first"),
        ("bounds = [0, 1]", 'bounds are for scale = "share"'),
        ('scale = "log"\nfrom = "score"', "scores are steps"),
        ('scale = "log"\nfrom = "dimension"\nnominal = 20', "a dimension is a deviation"),
    ],
)
def test_what_is_wrong_is_said(response: str, said: str) -> None:
    assert said in problems(response).replace("-3 to 3", "−3 to 3")
