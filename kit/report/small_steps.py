"""The page of small steps: move, stay or go on, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np

from kit.bench.cautions import cautions_for
from kit.bench.instruments import specimen_results
from kit.charts.running import draw_running
from kit.errors import DesignError
from kit.model.scale_words import judged_as_measured
from kit.model.small_steps import CHANGE, MOVE, STAY, SmallSteps, judge_small_steps, overall
from kit.report.document import Answer, Block, Group, Heading, Results, Sentences, Table
from kit.report.figures import figure_block
from kit.report.numbers import numbers_document
from kit.report.small_print import caution_list, provenance_blocks
from kit.report.wording import family_words, interval, number, requirement, spoken
from kit.saying import counted, with_unit
from kit.study.data import StudyData
from kit.study.intake import take_in
from kit.words import capital

MANY_LOOKS = (
    "Looking after every cycle makes a false move a little likelier than the 5 % of a single look; go on until a move "
    "stands clear, and confirm it in the next cycle around the new middle."
)


@dataclass(frozen=True)
class SmallStepsStudy:
    """Where a study of small steps stands.

    Attributes
    ----------
    data : StudyData
    steps : tuple of SmallSteps
        One a response that has results.
    verdict, reason : str
        ``move``, ``stay`` or ``go on``, and why.
    step : tuple of int or None
        Where to move.
    """

    data: StudyData
    steps: tuple[SmallSteps, ...]
    verdict: str
    reason: str
    step: tuple[int, ...] | None


def study_small_steps(folder: str | Path) -> SmallStepsStudy:
    """Judge the cycles of a study of small steps.

    Parameters
    ----------
    folder : str or Path
        A study folder with ``family = "small_steps"``.

    Returns
    -------
    SmallStepsStudy

    Raises
    ------
    StudyError
        If the study has problems.
    DesignError
        If the study is of another family.
    ModelError
        If no cycle is complete.
    """
    data = take_in(Path(folder))
    if data.study.design.family != "small_steps":
        raise DesignError(
            f'The plan of this study is {family_words(data.study.design.family)}; cycles of small steps need family = "small_steps".'
        )
    measured = specimen_results(data)
    steps = tuple(
        judge_small_steps(m, data.runs, data.study)
        for m in measured.values()
        if not m.response.passes_or_fails
    )
    verdict, reason, step = overall(steps, data.study)
    return SmallStepsStudy(data, steps, verdict, reason, step)


def show_small_steps(found: SmallStepsStudy) -> Group:
    """Show the verdict and where every response stands."""
    cycles = min((s.cycles for s in found.steps), default=0)
    status = f"After {counted(cycles, 'complete cycle')}. Every print of a cycle counts once."
    facts = tuple((spoken(s.response.title), f"{s.verdict}: {s.reason}") for s in found.steps)
    return Group(
        (
            Heading(found.data.study.title, 1),
            Answer(found.reason, status, facts, reached=found.verdict in (MOVE, STAY)),
            Sentences(
                (MANY_LOOKS, *judged_as_measured(s.response for s in found.steps)), tone="minor"
            ),
        )
    )


def show_running_effects(found: SmallStepsStudy) -> Group:
    """Show the effects after the last cycle, and how they settled."""
    blocks: list[Block] = []
    for steps in found.steps:
        rows = tuple(
            (
                "corners against the middle" if e.name == CHANGE else e.name.replace(":", " with "),
                _estimate(e.estimate, e.half_width, steps.response.unit),
                interval(e.low, e.high, steps.response.unit)
                if isfinite(e.half_width)
                else "not known after one cycle",
                "stands out" if e.clear else "lost in the scatter",
            )
            for e in steps.latest
        )
        scatter = (
            f"; prints made alike scatter by {_estimate(steps.sd, steps.sd, steps.response.unit)}"
            if isfinite(steps.sd)
            else ""
        )
        title = capital(steps.response.title)
        caption = f"{title} ({requirement(steps.response)}): from low to high, all cycles{scatter}."
        blocks.append(
            Table(
                ("Effect", "Low to high", "95 % interval", "In words"),
                rows,
                caption,
                numeric=(1, 2),
            )
        )
        picture = draw_running(steps)
        if picture is not None:
            blocks.append(figure_block(picture))
    return Group(tuple(blocks))


def show_small_steps_cautions(found: SmallStepsStudy) -> Group:
    """Show the cautions that apply to the settings printed, and what the results are not for."""
    study = found.data.study
    return Group((caution_list(study, cautions_for(study, found.data.runs)),))


def show_small_steps_provenance(
    found: SmallStepsStudy, parameters: Mapping[str, Any] | None = None
) -> Group:
    """Show versions, seed and the digests of the files that the page was made from."""
    return provenance_blocks(found.data.study, found.data.digests, parameters)


def small_steps_numbers(
    found: SmallStepsStudy, parameters: Mapping[str, Any] | None = None
) -> Results:
    """Carry the numbers of the ``results.json`` out of the notebook: the verdict, and each response's effects after the last cycle."""
    names = [f.name for f in found.data.study.factors]
    body = {
        "small_steps": {
            "verdict": found.verdict,
            "step": None if found.step is None else dict(zip(names, found.step, strict=True)),
            "responses": {s.response.name: _numbers(s) for s in found.steps},
        }
    }
    return Results(numbers_document(found.data.study, found.data.digests, body, parameters))


def _numbers(steps: SmallSteps) -> dict[str, Any]:
    return {
        "cycles": steps.cycles,
        "sd": steps.sd,
        "df": steps.df,
        "verdict": steps.verdict,
        "effects": {
            e.name: {"estimate": e.estimate, "low": e.low, "high": e.high} for e in steps.latest
        },
    }


def _estimate(value: float, width: float, unit: str) -> str:
    digits = max(0, 1 - int(np.floor(np.log10(width)))) if isfinite(width) and width > 0 else 2
    return with_unit(number(value, digits), unit)
