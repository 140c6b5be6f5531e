from __future__ import annotations

import pytest
from pydantic import ValidationError

from kit.study.advice import study_notices
from kit.study.description import Factor, ModelChoice, Printer, Response, Specimen, Study


def study(**more: object) -> Study:
    parts: dict[str, object] = {
        "title": "x",
        "scope": "Test pieces.",
        "factor": (
            Factor(name="nozzle", low=190, high=230),
            Factor(name="spool", kind="category", levels=("a", "b")),
        ),
        "response": (Response(name="gloss", recipe="gloss", lower=30),),
    }
    return Study.model_validate({**parts, **more})


def test_response_is_made_by_attribute_or_by_key() -> None:
    assert Response.model_validate({"name": "g", "from": "gloss"}) == Response(
        name="g", recipe="gloss"
    )


def test_sections_are_frozen_and_know_their_keys() -> None:
    with pytest.raises(ValidationError):
        study().title = "y"  # type: ignore[misc]
    with pytest.raises(ValidationError):
        Printer.model_validate({"nozle": 3})


def test_coding_follows_the_file() -> None:
    assert study().coding.names == ("nozzle", "spool")
    assert study().coding["spool"].levels == ("a", "b")


@pytest.mark.parametrize(
    ("hard", "family", "blocks", "random"),
    [
        (False, "full_factorial", "auto", False),
        (True, "full_factorial", "auto", True),
        (False, "split_plot", "auto", True),
        (True, "split_plot", "fixed", False),
        (False, "full_factorial", "random", True),
    ],
)
def test_auto_blocks(hard: bool, family: str, blocks: str, random: bool) -> None:
    factor = Factor(name="bed", low=50, high=60, hard_to_change=hard)
    made = study(
        factor=(factor,),
        design={"family": family},
        model=ModelChoice.model_validate({"blocks": blocks}),
    )
    assert made.random_blocks is random


def test_names_are_found_or_missed() -> None:
    assert study().factor_named("nozzle").low == 190
    assert study().response_named("gloss").title == "gloss"
    with pytest.raises(KeyError):
        study().factor_named("glue")
    with pytest.raises(KeyError):
        study().response_named("glue")


def test_advice_about_what_is_legal_but_may_surprise() -> None:
    assert study_notices(study()) == ()
    assert "Scope not stated" in study_notices(study(scope=" "))[0]
    odd = Factor(name="nozzle", low=190, high=230, step=15, unit="degC")
    assert study_notices(study(factor=(odd,))) == (
        "nozzle: steps of 15 °C from low reach 220 °C, not high 230 °C.",
    )
    assert "no window can be found" in study_notices(study(response=(Response(name="a"),)))[0]
    twice = study(specimen=Specimen(straight_path=40), printer=Printer(straight_path=30))
    assert twice.straight_path == 40
    assert "straight_path is given twice" in study_notices(twice)[0]
    heavy = study(specimen=Specimen(mass=20, volume=4.8))
    assert "differ by more than a fifth" in study_notices(heavy)[0]
