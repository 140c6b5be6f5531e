from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.study.new import (
    QUESTIONS,
    AnswerError,
    ExistingStudyError,
    check_answer,
    read_answers,
    stated_range,
    write_new_study,
)
from kit.study.new_text import Answers, new_study_text, toml_text
from kit.study.read import read_study, study_problems
from tests.strategies import answers


@settings(max_examples=40, deadline=None)
@given(answers())
def test_a_new_study_reads_back_without_a_problem(given_answers: Answers) -> None:
    text = new_study_text(given_answers)
    study, problems = study_problems(text)
    assert problems == []
    assert study is not None
    assert study.title == given_answers.title
    assert study.scope == given_answers.scope
    assert study.material.polymer == given_answers.polymer
    assert study.material.stated_range == given_answers.stated_range
    assert study.printer.name == given_answers.printer
    assert tuple(f.name for f in study.factors) == given_answers.factors
    assert tuple(r.name for r in study.responses) == given_answers.responses
    # No limit and no hard stop stands that nobody chose.
    assert not any(r.has_limits for r in study.responses)
    assert study.printer.nozzle_max is None
    assert new_study_text(given_answers) == text


@settings(max_examples=40, deadline=None)
@given(answers())
def test_lines_are_short_enough_to_read(given_answers: Answers) -> None:
    text = new_study_text(given_answers)
    assert max(len(line) for line in text.splitlines()) <= 115 + 2 * max(
        len(given_answers.title),
        len(given_answers.scope),
        len(given_answers.polymer),
        len(given_answers.printer),
    )
    assert "Cautions:" in text
    assert "Out of scope" in text


@given(st.text(st.characters(codec="utf-8")))
def test_any_text_can_be_written_as_toml(text: str) -> None:
    assert tomllib.loads(f"a = {toml_text(text)}") == {"a": text}


def test_empty_answers_take_the_defaults(tmp_path: Path) -> None:
    path = write_new_study(tmp_path / "deep" / "study", {"title": "My study"})
    study = read_study(path.parent)
    assert [f.name for f in study.factors] == ["nozzle", "speed", "fan"]
    assert [r.name for r in study.responses] == ["width_error", "gloss", "bending_strength"]


def test_an_existing_study_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text("mine")
    with pytest.raises(ExistingStudyError, match="left as it is"):
        write_new_study(tmp_path, Answers("x"))
    assert (tmp_path / "study.toml").read_text() == "mine"


def test_all_bad_answers_are_named_and_nothing_is_written(tmp_path: Path) -> None:
    with pytest.raises(AnswerError) as caught:
        write_new_study(
            tmp_path / "new", {"stated_range": "hot", "factors": "nozle", "colour": "red"}
        )
    text = str(caught.value)
    assert "colour: unknown answer" in text
    assert "title: the study needs a title" in text
    assert "stated_range: found 'hot'" in text
    assert "factors: unknown setting 'nozle'; did you mean 'nozzle'?" in text
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ("190-230", (190, 230)),
        ("190 to 230 degC", (190, 230)),
        ("230\u2013190", (190, 230)),
        ("", None),
    ],
)
def test_ranges_as_makers_type_them(typed: str, expected: tuple[float, float] | None) -> None:
    assert stated_range(typed) == expected


@pytest.mark.parametrize("typed", ["210", "374-446", "190-192", "20-30", "a-b", "1-2-3"])
def test_ranges_that_are_none(typed: str) -> None:
    assert check_answer("stated_range", typed) is not None
    with pytest.raises(ValueError, match=r"degC|temperatures"):
        stated_range(typed)


def test_every_question_can_be_checked_alone() -> None:
    for question in QUESTIONS:
        fault = check_answer(question.key, "")
        assert (fault is None) == (question.key != "title")
        assert question.text.endswith("?")
    assert check_answer("factors", "speed; fan nozzle") is None
    assert check_answer("responses", ",") is not None
    assert read_answers({"title": "a", "factors": "fan, fan"}).factors == ("fan",)
    assert check_answer("title", "a\x07b") is not None


@pytest.mark.parametrize(("polymer", "density"), [("PETG", 1.27), (" petg", 1.27), ("", 1.24)])
def test_the_density_is_that_of_the_polymer(polymer: str, density: float) -> None:
    study, _ = study_problems(new_study_text(Answers("x", polymer=polymer)))
    assert study is not None
    assert study.material.density == density
