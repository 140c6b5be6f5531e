"""The answer both ways on the page, and how many checks would speak up by chance alone."""

from __future__ import annotations

from kit.analysis import Analysis
from kit.report.document import Block, Sentences, Table
from kit.report.wording import settings_line
from kit.saying import percent
from kit.window.both_ways import OtherWay
from kit.window.result import Choice
from kit.words import capital

FALSE_ALARM = 0.19
"""Share of calm responses for which at least one check that can change the answer speaks up, by simulation
(tests/unit/model/check_simulations.csv)."""


def both_ways_blocks(analysis: Analysis) -> list[Block]:
    """Give the table of answers, as things stand and without what a check found; nothing when all is calm."""
    window = analysis.window
    if window is None or not analysis.other_ways:
        return []
    standing = window.choice
    rows = [("as it stands", *_cells(analysis, standing, window.recommended is not None), "–")]
    rows += [
        (way.what, *_cells(analysis, way.choice, way.reached), _percent(way.at_answer))
        for way in analysis.other_ways
    ]
    columns = ("Answer", "Settings", "Chance there", "Chance at today's settings")
    caption = "The answer both ways. Nothing is dropped by the kit: a print stays until you exclude its readings with a reason."
    return [Table(columns, tuple(rows), caption, numeric=(2, 3))]


def both_ways_notes(analysis: Analysis) -> list[str]:
    """Say on the first page where a finding of a check would change the answer."""
    window = analysis.window
    if window is None:
        return []
    return [
        f"{capital(way.what)} the answer would be another: {_settings(analysis, way)} ({way.why})."
        for way in analysis.other_ways
        if way.differs_from(window)
    ]


def multiplicity(analysis: Analysis) -> Sentences:
    """Say how often checks speak up where nothing is wrong."""
    n = len(analysis.surfaces)
    text = (
        f"Many checks were asked of {'each of ' + str(n) + ' responses' if n > 1 else 'one response'}. Where nothing at all is wrong, "
        f"at least one of those that can change the answer still speaks up for about {round(100 * FALSE_ALARM)} of 100 responses: "
        "take a single weak finding as a question, not as proof."
    )
    return Sentences((text,), tone="minor")


def _cells(analysis: Analysis, choice: Choice | None, reached: bool) -> tuple[str, str]:
    if choice is None:
        return "–", "–"
    settings = settings_line(analysis.study, choice.settings)
    return (
        settings if reached else f"none reaches the confidence; best compromise {settings}",
        _percent(choice.probability),
    )


def _settings(analysis: Analysis, way: OtherWay) -> str:
    if way.choice is None:
        return "none"
    settings = settings_line(analysis.study, way.choice.settings)
    chance = _percent(way.choice.probability)
    if not way.reached:
        return (
            f"no setting reaches the confidence, the best compromise being {settings} with {chance}"
        )
    return f"{settings} with {chance}"


def _percent(chance: float) -> str:
    return percent(chance) if chance == chance else "–"
