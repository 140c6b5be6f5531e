from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from kit.charts import labels, style
from kit.study.description import Factor, Response, Study

SPEED = Factor(name="speed", kind="speed", unit="mm/s", low=40, high=120)


def study_of(*factors: Factor) -> Study:
    return Study(title="t", factor=factors, response=(Response(name="gloss", unit="GU"),))


def test_axes_carry_label_and_printed_unit() -> None:
    nozzle = Factor(name="nozzle", kind="nozzle_temperature", unit="degC", low=190, high=230)
    assert labels.factor_axis(study_of(nozzle), "nozzle") == "Nozzle temperature (°C)"
    assert labels.response_axis(Response(name="width_error", unit="mm")) == "Width error (mm)"
    assert labels.response_axis(Response(name="rank", unit="")) == "Rank"


def test_two_factors_of_a_kind_go_by_their_own_names() -> None:
    study = study_of(
        SPEED.model_copy(update={"name": "outer_speed"}), SPEED.model_copy(update={"name": "inner"})
    )
    assert [labels.factor_title(study, f.name) for f in study.factors] == ["Outer speed", "Inner"]


def test_requirements_are_said_from_their_side() -> None:
    assert (
        labels.requirement_text(Response(name="a", unit="um", lower=-120, upper=120))
        == "\u2212120 to 120 \u00b5m"
    )
    assert labels.requirement_text(Response(name="a", upper=2.5)) == "at most 2.5"
    assert labels.requirement_text(Response(name="a")) == ""


@given(st.floats(-1e6, 1e6), st.integers(0, 4))
def test_numbers_read_back_and_show_no_negative_zero(value: float, decimals: int) -> None:
    text = labels.number(value, decimals, sign=True)
    assert abs(float(text.replace("\u2212", "-")) - value) <= 0.5000001 * 10**-decimals
    assert "-" not in text
    if float(text.replace("\u2212", "-")) == 0:
        assert text[0] not in "+\u2212"


@settings(deadline=None, max_examples=40)
@given(
    st.text(alphabet=st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), max_size=80),
    st.floats(0.8, 5),
)
def test_wrapped_lines_fit_and_lose_no_letter(text: str, inches: float) -> None:
    with style.drawing():
        lines = labels.wrapped(text, inches, 11).split("\n")
        assert "".join("".join(lines).split()) == "".join(text.split())
        assert all(labels.text_width(line, 11) <= inches or len(line) == 1 for line in lines)


def test_wrapped_keeps_a_number_with_its_unit() -> None:
    with style.drawing():
        for inches in (0.9, 1.2, 1.6, 2.0, 2.4):
            assert "%" not in [
                line[0]
                for line in labels.wrapped("new parts hold 95 % of it", inches, 11).split("\n")
            ]


def test_wrapped_ends_a_cut_text_with_an_ellipsis() -> None:
    with style.drawing():
        text = labels.wrapped("one two three four five six", 0.8, 11, lines=2)
    assert text.count("\n") == 1
    assert text.endswith("…")


def test_stems_are_plain_file_names() -> None:
    assert labels.stem("width_error") == "width-error"
    assert labels.stem("Gloss60") == "gloss60"
