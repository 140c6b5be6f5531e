"""A new study from a handful of answers.

The questions are data, so that a command can ask them one by one and a notebook can show them at once.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kit.errors import KitError
from kit.study.folder import STUDY_FILE, write_whole
from kit.study.nearest import echo, number, suggestion
from kit.study.new_text import Answers, new_study_text
from kit.study.presets import FACTOR_PRESETS, RESPONSE_PRESETS

STATED_LOWEST, STATED_HIGHEST, STATED_NARROWEST = 140.0, 330.0, 5.0  # degC
LONGEST_LINE = 300


class AnswerError(KitError, ValueError):
    """Answers that will not do; the text names each."""


class ExistingStudyError(KitError, FileExistsError):
    """A folder that holds a study already; it is left as it is."""


@dataclass(frozen=True)
class Question:
    """One question to the maker.

    Attributes
    ----------
    key : str
        Name of the answer in `Answers`.
    text : str
        The question.
    default : str
        What an empty answer stands for.
    check : callable
        Turns the typed text into the value; raises `ValueError` with a sentence for the maker.
    hint : str
        What to think of, an example.
    """

    key: str
    text: str
    default: str
    check: Callable[[str], Any]
    hint: str = ""

    def answer(self, typed: str) -> Any:  # noqa: ANN401 - as many types as questions
        """Give the value of a typed answer, an empty one meaning the default."""
        return self.check(typed.strip() or self.default)


def _line(text: str) -> str:
    """Accept one line of text."""
    if len(text) > LONGEST_LINE or any(ord(c) < ord(" ") for c in text):
        raise ValueError(f"one line of at most {LONGEST_LINE} characters, please.")
    return text


def _title(text: str) -> str:
    if not text.strip():
        raise ValueError("the study needs a title; a few words will do.")
    return _line(text)


def stated_range(text: str) -> tuple[float, float] | None:
    """Read the temperature range on the spool: ``190-230``, ``190 to 230`` or nothing.

    Parameters
    ----------
    text : str
        As typed.

    Returns
    -------
    tuple of (float, float) or None
        degC.

    Raises
    ------
    ValueError
        If it is no range, or not one of a nozzle.

    Examples
    --------
    >>> stated_range("190-230"), stated_range("")
    ((190.0, 230.0), None)
    """
    if not text.strip():
        return None
    found = re.findall(r"[0-9]+(?:\.[0-9]+)?", text)
    if len(found) != 2:
        raise ValueError(
            f"found {echo(text)}; write the two temperatures on the spool, such as 190-230 (degC)."
        )
    low, high = sorted(map(float, found))
    if low < STATED_LOWEST or high > STATED_HIGHEST:
        raise ValueError(
            f"found {number(low)} to {number(high)}; this asks for {number(STATED_LOWEST)} to {number(STATED_HIGHEST)} degC "
            "(not Fahrenheit). For hotter polymers write study.toml by hand, with the printer's nozzle_max."
        )
    if high - low < STATED_NARROWEST:
        raise ValueError(
            f"the two temperatures must differ by at least {number(STATED_NARROWEST)} degC."
        )
    return low, high


def _chooser(what: str, presets: Mapping[str, object]) -> Callable[[str], tuple[str, ...]]:
    """Make the check for a choice of presets, parted by commas or blanks."""

    def choose(text: str) -> tuple[str, ...]:
        names = [name for name in re.split(r"[,;\s]+", text) if name]
        for name in names:
            if name not in presets:
                raise ValueError(
                    f"unknown {what} {echo(name)}; {suggestion(name, presets, kind='choose from')}"
                )
        if not names:
            raise ValueError(f"choose at least one {what}: {', '.join(presets)}.")
        return tuple(dict.fromkeys(names))

    return choose


QUESTIONS: tuple[Question, ...] = (
    Question(
        "title",
        "What is the study about?",
        "",
        _title,
        'Such as "Satin or gloss on the window-side printer".',
    ),
    Question(
        "scope",
        "What are the parts for?",
        "",
        _line,
        "Parts that carry people or loads over them, food, toys, medical parts and mains are out of scope.",
    ),
    Question("polymer", "Which polymer is on the spool?", "PLA", _line, "As the label says."),
    Question(
        "stated_range",
        "Nozzle temperatures printed on the spool, degC?",
        "",
        stated_range,
        "Such as 190-230.",
    ),
    Question("printer", "What do you call the printer?", "", _line, "A name the workshop knows."),
    Question(
        "factors",
        "Which settings do you want to vary?",
        "nozzle, speed, fan",
        _chooser("setting", FACTOR_PRESETS),
        f"Choose from {', '.join(FACTOR_PRESETS)}.",
    ),
    Question(
        "responses",
        "What will you measure?",
        "width_error, gloss, bending_strength",
        _chooser("result", RESPONSE_PRESETS),
        f"Choose from {', '.join(RESPONSE_PRESETS)}.",
    ),
)
"""What `testprint new` asks, in order."""


def read_answers(typed: Mapping[str, str]) -> Answers:
    """Turn typed answers into `Answers`.

    Parameters
    ----------
    typed : mapping of question key to text
        Missing or empty answers take the question's default.

    Returns
    -------
    Answers

    Raises
    ------
    AnswerError
        Naming every answer that will not do.
    """
    values, faults = {}, []
    unknown = typed.keys() - {q.key for q in QUESTIONS}
    faults += [
        f"{key}: unknown answer; {suggestion(key, [q.key for q in QUESTIONS])}"
        for key in sorted(unknown)
    ]
    for question in QUESTIONS:
        try:
            values[question.key] = question.answer(typed.get(question.key, ""))
        except ValueError as error:
            faults.append(f"{question.key}: {error}")
    if faults:
        raise AnswerError("\n".join(faults))
    return Answers(**values)


def check_answer(key: str, typed: str) -> str | None:
    """Say what is wrong with one typed answer.

    Parameters
    ----------
    key : str
        Of a question.
    typed : str
        The answer; empty means the default.

    Returns
    -------
    str or None
        A sentence for the maker; None when the answer will do.
    """
    try:
        next(q for q in QUESTIONS if q.key == key).answer(typed)
    except ValueError as error:
        return str(error)
    return None


def write_new_study(folder: Path | str, answers: Answers | Mapping[str, str]) -> Path:
    """Write the description of a new study.

    Parameters
    ----------
    folder : Path or str
        Made if it does not exist.
    answers : Answers or mapping of question key to text
        What the maker said; typed answers are read first.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    AnswerError
        If a typed answer will not do.
    ExistingStudyError
        If the folder holds a study already.
    """
    if not isinstance(answers, Answers):
        answers = read_answers(answers)
    path = Path(folder) / STUDY_FILE
    if path.exists():
        raise ExistingStudyError(
            f"{path} exists already; it was left as it is. Choose another folder."
        )
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, new_study_text(answers))
    return path
