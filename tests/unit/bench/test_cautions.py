"""Cautions appear where they apply, and only there; each defers to codes, manuals or practice."""

from __future__ import annotations

import re

import pandas as pd
import pytest

from kit.bench.cautions import _RULES, EVERYWHERE, cautions_for, scope_line
from kit.study.description import Factor, Response, Study
from tests.unit.design.studies import FAN, NOZZLE, SPEED, study

GLOSS = Response.model_validate({"name": "gloss", "unit": "GU", "from": "gloss", "lower": 30})


def keys(asked: Study, place: str = "page", settings: pd.DataFrame | None = None) -> set[str]:
    return {c.key for c in cautions_for(asked, settings, place)}


def plain_study(**changes: object) -> Study:
    return study(NOZZLE, FAN).model_copy(update={"response": (GLOSS,), **changes})


def test_hot_parts_and_staying_near_come_first_everywhere_something_is_printed() -> None:
    for place in ("sheet", "page", "plan"):
        assert [c.key for c in cautions_for(plain_study(), place=place)][:2] == [
            "hot parts",
            "unattended",
        ]


def test_a_harmless_study_gets_no_more_than_the_usual() -> None:
    assert keys(plain_study()) == {"hot parts", "unattended", "blades"}
    assert keys(plain_study(), "measuring") == set()


def test_breaking_specimens_needs_a_box() -> None:
    found = {c.key: c for c in cautions_for(study(), place="measuring")}
    assert {"shattering", "weights"} <= found.keys()
    assert found["shattering"].needs_box
    assert "eye protection" in found["shattering"].text
    assert "shattering" in keys(study(), "strength")
    assert "shattering" not in keys(plain_study(), "strength")


@pytest.mark.parametrize(
    ("high", "stated", "polymer", "fumes"),
    [
        (230, (190, 230), "PLA", False),
        (240, (190, 230), "PLA", True),
        (245, None, "PLA", True),
        (230, None, "ABS", True),
        (230, None, "PA6-CF", True),
        (230, None, "", False),
    ],
)
def test_fumes_by_temperature_and_polymer(
    high: float, stated: tuple[float, float] | None, polymer: str, fumes: bool
) -> None:
    nozzle = NOZZLE.model_copy(update={"high": float(high)})
    asked = study(nozzle, FAN, material={"polymer": polymer, "stated_range": stated})
    assert ("fumes" in keys(asked)) == fumes


def test_the_planned_settings_count_not_only_low_and_high() -> None:
    runs = pd.DataFrame({"nozzle": [190.0, 250.0], "fan": [20.0, 100.0]})
    assert {"fumes", "lining"} <= keys(plain_study(), settings=runs)
    assert "lining" not in keys(plain_study())


def test_filled_spools_dust_and_fibres() -> None:
    assert "fibres and dust" in keys(study(NOZZLE, material={"abrasive": True}))
    assert "fibres and dust" in keys(study(NOZZLE, material={"name": "grey glass fibre"}))
    assert "fibres and dust" not in keys(study(NOZZLE, material={"name": "classic grey"}))


@pytest.mark.parametrize(
    ("question", "key"),
    [
        ("Does a spray varnish help?", "solvents"),
        ("Is it smoother after sanding?", "dust"),
        ("Does drying the spool matter?", "drying"),
        ("How far off is the thermocouple?", "mains"),
        ("Does it fade under a UV lamp?", "lamps"),
    ],
)
def test_steps_named_in_the_question(question: str, key: str) -> None:
    assert key in keys(plain_study(question=question))
    assert key not in keys(plain_study())


def test_solvent_as_a_level_of_a_category() -> None:
    finish = Factor(name="finish", kind="category", levels=("none", "acetone wipe"))
    found = {c.key: c for c in cautions_for(study(SPEED, finish))}
    assert found["solvents"].needs_box


def test_every_caution_defers_to_codes_manuals_or_rules() -> None:
    for caution, _ in _RULES:
        assert re.search(r"codes?\b|manual|rules|licensed|maker's limit", caution.text), caution.key
        assert set(caution.where) <= set(EVERYWHERE)
        assert caution.text.endswith(".")


def test_an_unknown_place_is_an_error() -> None:
    with pytest.raises(ValueError, match="place 'nowhere' is unknown"):
        cautions_for(study(), place="nowhere")


def test_scope_stated_and_not_stated() -> None:
    assert scope_line(study()).startswith("Scope not stated. Out of scope")
    line = scope_line(study().model_copy(update={"scope": "Coat hooks, indoors."}))
    assert line.startswith("Scope: Coat hooks, indoors. Out of scope")
    for word in ("over people", "medical", "food", "toys", "mains", "this spool and this printer"):
        assert word in line
