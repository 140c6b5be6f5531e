"""``study.toml`` into a frozen `Study`, or every problem it has.

Problems name the line and the key: the second factor's low is ``factor[2].low``. Nothing in the file is
ever evaluated.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from kit.errors import Problem, StudyError
from kit.study.check_factors import check_factors
from kit.study.check_plan import check_plan, check_set_up
from kit.study.check_responses import check_responses
from kit.study.description import Study
from kit.study.folder import STUDY_FILE, read_bytes
from kit.study.lines import KeyPath, dotted, key_lines, line_of
from kit.study.structure import Draft, draft_study
from kit.study.syntax import Parsed, parse_toml
from kit.study.text import decode_text
from kit.study.units import factor_unit, response_unit


@dataclass(frozen=True)
class StudyReading:
    """What could be read of a study's description, for checks that go on in spite of problems.

    Attributes
    ----------
    study : Study or None
        The valid study; None when there are problems.
    problems : tuple of Problem
        In the order of the file.
    draft : Draft or None
        What is known all the same; None when the file could not be read at all.
    """

    study: Study | None
    problems: tuple[Problem, ...]
    draft: Draft | None


def read_study(folder: Path) -> Study:
    """Read the description of a study.

    Parameters
    ----------
    folder : Path
        The study folder.

    Returns
    -------
    Study
        Units that were left out are filled in from the kind of factor or the recipe.

    Raises
    ------
    StudyError
        With all problems, if there are any.
    """
    data, problem = read_bytes(Path(folder), STUDY_FILE)
    reading = missing_description(problem) if data is None else read_description(data)
    if reading.study is None:
        raise StudyError(reading.problems)
    return reading.study


def study_problems(text: str, filename: str = STUDY_FILE) -> tuple[Study | None, list[Problem]]:
    """Read a description and find all its problems.

    Parameters
    ----------
    text : str
        The whole file.
    filename : str
        For the problems.

    Returns
    -------
    study : Study or None
        None when there are problems.
    problems : list of Problem
        In the order of the file.
    """
    reading = read_description(text.encode("utf-8", errors="surrogatepass"), filename)
    return reading.study, list(reading.problems)


def read_description(data: bytes, filename: str = STUDY_FILE) -> StudyReading:
    """Read the bytes of a description as far as possible; never raises for what the user wrote."""
    text, problem = decode_text(data, filename)
    if text is None:
        return StudyReading(None, (problem,) if problem else (), None)
    parsed = parse_toml(text)
    found = [Problem(filename, line, key, what) for line, key, what in parsed.faults]
    if parsed.raw is None:
        return StudyReading(None, tuple(found), None)
    lines = key_lines(parsed.text)
    draft = draft_study(parsed.raw, _unknown(lines, parsed))
    seen = set()
    for path, what in (*draft.findings, *_cross_checks(draft)):
        written = draft.written(path)
        problem = Problem(filename, line_of(lines, written), dotted(written), what)
        if problem not in seen and line_of(lines, written) not in parsed.lines:
            found.append(problem)
        seen.add(problem)
    found.sort(key=lambda p: p.row)
    if found:
        return StudyReading(None, tuple(found), draft)
    return _whole(draft, filename)


def missing_description(problem: Problem | None = None) -> StudyReading:
    """Give the reading of a folder without a description, or with one that cannot be opened."""
    text = "not found; a study folder holds this file. `testprint new FOLDER` writes one."
    return StudyReading(None, (problem or Problem(STUDY_FILE, 0, "", text),), None)


def _unknown(lines: dict[KeyPath, int], parsed: Parsed) -> set[KeyPath]:
    return {path for path, line in lines.items() if line in parsed.lines}


def _cross_checks(draft: Draft) -> Iterator[tuple[KeyPath, str]]:
    """Run the checks between keys on what is known; a finding about an unknown value is none."""
    study = draft.study
    telling = ("factor", "name", "kind", "levels")
    kinds_known = not any(path[0] == "factor" and path[-1] in telling for path in draft.broken)
    checks = (
        check_set_up(study),
        check_factors(study, lambda i: not draft.is_broken("factor", i, "kind")),
        check_responses(study, lambda i: not draft.is_broken("response", i, "from")),
        check_plan(
            study, kinds_known=kinds_known, family_known=not draft.is_broken("design", "family")
        ),
    )
    for check in checks:
        for path, text in check:
            if not draft.is_broken(*path):
                yield path, text
    if (
        not study.title.strip()
        and not draft.is_broken("title")
        and "title" not in {p[0] for p, _ in draft.findings}
    ):
        yield ("title",), "the title is empty; say in a few words what the study is about."


def _whole(draft: Draft, filename: str) -> StudyReading:
    """Fill in the units that were left out and validate the study as a whole."""
    study = draft.study
    factors = tuple(f.model_copy(update={"unit": factor_unit(f)}) for f in study.factors)
    responses = tuple(r.model_copy(update={"unit": response_unit(r)}) for r in study.responses)
    parts = {name: getattr(study, name) for name in Study.model_fields}
    try:
        whole = Study.model_validate(
            {**parts, "factor": factors, "response": responses}, strict=True
        )
    except ValidationError as error:  # the sections were valid one by one
        text = f"the study does not hold together: {error.errors()[0]['msg']}"
        return StudyReading(None, (Problem(filename, 0, "", text),), draft)
    return StudyReading(whole.with_planned_terms(), (), draft)
