"""What is said about readings: which were left out and why, what is missing, what looks odd."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import pandas as pd

from kit.bench.recipes import (
    SPAN_RATIO,
    SPAN_RATIO_SLACK,
    Formula,
    advised_geometry,
    highest_plain_gloss,
)
from kit.study.description import Response
from kit.study.quantities import GLOSS_DIRECTIONS, VALUE
from kit.words import unit_label


def unused_notes(response: Response, readings: pd.DataFrame) -> list[str]:
    """Name the readings that are not used: excluded ones, and those of runs that were not printed.

    Parameters
    ----------
    response : Response
        What was read.
    readings : DataFrame
        The response's readings with ``status`` of their run and ``excluded`` (empty = used).

    Returns
    -------
    list of str
        One sentence an excluded reading, one a run.
    """
    title = response.title
    printed = readings["status"] == "printed"
    notes = [
        f"{title}: {_read(r['part'])} of run {r['run']}, specimen {r['specimen']} "
        f"({_amount(r['value'], r['unit'])}, row {r['row']}) is left out: {r['excluded']}."
        for r in readings[printed & (readings["excluded"] != "")].to_dict("records")
    ]
    for status, why in (("failed", "that print failed"), ("planned", "it is still marked planned")):
        runs = readings.loc[readings["status"] == status, "run"].unique()
        notes += [f"{title}: the readings of run {run} are not used, since {why}." for run in runs]
    return notes


def input_notes(
    response: Response, formulas: Sequence[Formula], incomplete: pd.DataFrame
) -> list[str]:
    """Name the specimens that could not be computed, and what they lack.

    ``incomplete`` holds their input means, one row a specimen, indexed by run and specimen.

    Returns
    -------
    list of str
        One sentence for each thing lacking.
    """
    if response.recipe == "three_point_bending" and response.span is None and len(incomplete):
        return [
            f"{response.title}: bending needs the distance of the supports, span, in study.toml."
        ]
    lacking: dict[str, list[str]] = {}
    for row in incomplete.reset_index().to_dict("records"):
        run, specimen = row.pop("run"), row.pop("specimen")
        have = {str(part) for part, mean in row.items() if mean == mean}  # not missing
        # The formula that came nearest says what is missing.
        nearest = max(formulas, key=lambda f: len(have & set(f.inputs)))
        missing = [name for name in nearest.inputs if name not in have]
        reason = (
            f"without {_listed(map(_read, missing))}"
            if missing
            else "from a size that is not above 0"
        )
        lacking.setdefault(reason, []).append(f"run {run}, specimen {specimen}")
    return [
        f"{response.title}: not computed {reason}: {'; '.join(pieces)}."
        for reason, pieces in lacking.items()
    ]


def specimen_flags(response: Response, pieces: pd.DataFrame, polymer: str = "") -> pd.Series:
    """Flag single specimens, indexed like ``pieces``; empty text where nothing is odd.

    Returns
    -------
    Series of str
    """
    flags = pd.Series("", index=pieces.index, dtype="str")
    if response.recipe == "three_point_bending" and "thickness" in pieces and response.span:
        ratio = response.span / pieces["thickness"]
        odd = (ratio - SPAN_RATIO).abs() > SPAN_RATIO_SLACK
        flags = flags.mask(odd, ratio.map("span is {:.1f} times the thickness".format))
    if response.recipe == "gloss":
        limit = highest_plain_gloss(polymer, response.geometry)
        flags = flags.mask(pieces["value"] > limit, f"above {limit:g} GU")
    return flags


def result_notes(response: Response, pieces: pd.DataFrame, polymer: str = "") -> list[str]:
    """Say what the results of all specimens mean for the way they were measured.

    Returns
    -------
    list of str
    """
    flagged = pieces[pieces["flags"] != ""]
    notes = []
    if response.recipe == "three_point_bending" and response.span and len(flagged):
        notes.append(
            f"{response.title}: the span of {response.span:g} mm is "
            f"{_range(response.span / flagged['thickness'])} times the thickness of "
            f"{len(flagged)} of {len(pieces)} specimens; ISO 178 asks for {SPAN_RATIO:g}, within "
            f"{SPAN_RATIO_SLACK:g}. Compare these results among themselves only."
        )
    if response.recipe == "gloss":
        if response.geometry == 60:
            notes += _geometry_notes(response, pieces)
        if len(flagged):
            limit = highest_plain_gloss(polymer, response.geometry)
            runs = _listed(
                [f"run {r}" for r in dict.fromkeys(flagged.index.get_level_values("run"))]
            )
            notes.append(
                f"{response.title}: {runs} reads above {limit:g} GU; a smooth face of plain "
                f"{polymer or 'PLA'} reaches about {limit * 30 / 31:.0f} GU at {response.geometry} degrees. Check the "
                "meter against its tile, and look for a curved or metallic face or a slip of the pen."
            )
    return notes


def break_notes(
    response: Response, pieces: pd.DataFrame, flags: Mapping[tuple[str, str], str]
) -> list[str]:
    """Name the specimens that broke in the wrong place or reached a limit, by what is odd about them.

    Returns
    -------
    list of str
    """
    by_text: dict[str, list[str]] = {}
    for run, piece in pieces.index:
        for text in flags.get((str(run), str(piece)), "").split("; "):
            if text:
                # What a peak may lack differs from piece to piece; it is one kind of flag all the same.
                kind = "peak lost between two points" if text.startswith("peak up to") else text
                by_text.setdefault(kind, []).append(f"{run}-{piece}")
    notes = []
    for text, names in by_text.items():
        note = f"{response.title}: {text}: {', '.join(names)}."
        if text.startswith("at the limit"):
            note += " The true value is at least what was read (right-censored)"
            note += (
                "; a fitted surface counts it so."
                if response.strength_property == "strength"
                else "; it is used as read, so the fit may be off there."
            )
        elif text.startswith("broke at"):
            note += " Such a break tells of the holding as well as of the material; results are kept and marked."
        notes.append(note)
    return notes


def _geometry_notes(response: Response, pieces: pd.DataFrame) -> list[str]:
    prints = pieces["value"].groupby(level="run").mean()
    advised = prints.map(advised_geometry)
    notes = []
    for angle, side in ((20, "above 70"), (85, "below 10")):
        count = int((advised == angle).sum())
        if count:
            notes.append(
                f"{response.title}: {count} of {len(prints)} prints read {side} GU at 60 degrees, "
                f"where ISO 2813 advises the {angle} degree geometry."
            )
    return notes


def _read(part: str) -> str:
    return {
        VALUE: "the reading",
        **{d: f"the reading {d} the lines" for d in GLOSS_DIRECTIONS},
    }.get(part, f"the {part}")


def _amount(value: float, unit: str) -> str:
    return f"{value:g} {unit_label(unit)}".strip()


def _range(values: pd.Series) -> str:
    low, high = f"{values.min():.1f}", f"{values.max():.1f}"
    return low if low == high else f"{low} to {high}"


def _listed(words: Iterable[str]) -> str:
    words = list(words)
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
