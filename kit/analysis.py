"""The whole way from a study folder to its window, one call: what the ``surface`` notebook and tests use.

It only strings the steps together and decides what an unfinished study still allows; each step is
documented in its own room.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import pandas as pd

from kit.bench.instruments import specimen_results
from kit.bench.measured import Measured
from kit.errors import ConfirmError, ModelError, NotEstimableError
from kit.model.canonical import Stationary, stationary_point
from kit.model.check import EVIDENT
from kit.model.checks import Check, check_surface
from kit.model.fit import fit_surface, measuring_order
from kit.model.pass_fail import outcome_surfaces
from kit.model.success import Success, success_surface
from kit.model.surface import Surface
from kit.saying import listed
from kit.study.data import StudyData
from kit.study.description import Study
from kit.study.intake import take_in
from kit.window.both_ways import OtherWay, other_way
from kit.window.confirm import judge_confirmation
from kit.window.confirming import confirming_runs, refuse_reused
from kit.window.next_round import Suggestion, suggest_next
from kit.window.region import find_window
from kit.window.result import Choice, Window
from kit.window.tradeoff import TradeOffs, trade_offs
from kit.window.verdict import Confirmation
from kit.words import CONFIRMATION as CONFIRMATION

DRIFTS = {"drift": "print_order", "measuring_drift": "measured"}
"""Checks of drift, and the column of the observations that each follows."""

MOST_WAYS = 4
"""At most so many answers stand beside the one as things are."""


@dataclass(frozen=True)
class Analysis:
    """Everything that follows from a study's tables.

    Attributes
    ----------
    data : StudyData
        What was taken in.
    measured : mapping of response name to Measured
        Results of the bench.
    surfaces : mapping of response name to Surface
        What could be fitted.
    waiting : mapping of response name to str
        Why a response of an unfinished study could not be fitted yet.
    checks : mapping of response name to tuple of Check
    stationary : mapping of response name to Stationary or None
    window : Window or None
        None as long as a response with a requirement has no surface.
    confirmation : Confirmation or None
        The verdict of the confirming prints; None as long as there are none to judge.
    suggestion : Suggestion or None
        What to do next; None as long as there is no answer or the round is not finished.
    other_ways : tuple of OtherWay
        The answer without what the checks of single prints and of drift found.
    outcomes : mapping of name to Surface
        What a part passes or fails: pass/fail responses and, where failed prints count, that a print comes out.
    """

    data: StudyData
    measured: Mapping[str, Measured]
    surfaces: Mapping[str, Surface]
    waiting: Mapping[str, str]
    checks: Mapping[str, tuple[Check, ...]]
    stationary: Mapping[str, Stationary | None]
    window: Window | None
    confirmation: Confirmation | None = None
    suggestion: Suggestion | None = None
    other_ways: tuple[OtherWay, ...] = ()
    outcomes: Mapping[str, Surface] = field(default_factory=dict)

    @property
    def judged(self) -> dict[str, Surface]:
        """All that a part can meet or miss: the surfaces, and what it passes or fails."""
        return {**self.surfaces, **self.outcomes}

    @property
    def study(self) -> Study:
        """The description."""
        return self.data.study

    @property
    def choice(self) -> Choice | None:
        """The settings that the answer speaks of; None as long as there is no answer."""
        return self.window.choice if self.window else None

    @property
    def withdrawn(self) -> bool:
        """Whether confirming prints have taken the answer back."""
        return self.confirmation is not None and self.confirmation.withdraws

    @cached_property
    def trade_offs(self) -> TradeOffs | None:
        """What can be chosen inside the window; None without one. Worked out when it is first asked for."""
        return trade_offs(self.judged, self.study, self.window) if self.window else None

    @cached_property
    def success(self) -> Success | None:
        """How likely a print comes out, by its settings; None when no print failed. Worked out when it is first asked for."""
        return success_surface(self.data.runs, self.study)

    @property
    def runs(self) -> pd.DataFrame:
        """The runs that a fit may use: all but confirmation runs."""
        return self.data.runs[self.data.runs["round"] != CONFIRMATION]

    @property
    def interim(self) -> bool:
        """Whether runs are still to be printed."""
        return bool((self.runs["status"] == "planned").any())

    @property
    def printed(self) -> int:
        """Runs printed so far."""
        return int((self.runs["status"] == "printed").sum())


def analyse(folder: str | Path) -> Analysis:
    """Take in a study folder and follow it as far as its readings allow.

    Parameters
    ----------
    folder : str or Path
        A study folder.

    Returns
    -------
    Analysis

    Raises
    ------
    StudyError
        With all problems of the three files.
    ModelError
        If every run is printed or failed and still a response cannot be fitted; as
        `NotEstimableError` with all the terms concerned when main effects cannot be told apart.
    """
    data = take_in(Path(folder))
    return analyse_data(data)


def analyse_data(data: StudyData) -> Analysis:
    """Follow a study that is already taken in; see `analyse`."""
    measured = specimen_results(data)
    runs = data.runs[data.runs["round"] != CONFIRMATION]
    unfinished = bool((runs["status"] == "planned").any()) or runs.empty
    surfaces, errors = _fit_all(data, measured)
    outcomes, outcome_errors = outcome_surfaces(measured, data.runs, data.study)
    errors |= outcome_errors
    judged = {**surfaces, **outcomes}
    if errors and not unfinished:
        raise _joined(errors)
    waiting = {name: str(error) for name, error in errors.items()}
    for response in data.study.responses:
        if response.name not in judged:
            waiting.setdefault(response.name, "no readings yet")
    wanted = [r.name for r in data.study.responses if r.has_limits or r.target is not None]
    ready = bool(judged) and not any(name in waiting for name in wanted)
    window = find_window(judged, data.study) if ready else None
    verdict = _confirmation(data, measured, judged, window)
    checks = {name: check_surface(s) for name, s in surfaces.items()}
    return Analysis(
        data=data,
        measured=measured,
        surfaces=surfaces,
        waiting=waiting,
        checks=checks,
        stationary={name: stationary_point(s) for name, s in surfaces.items()},
        window=window,
        confirmation=verdict,
        suggestion=suggest_next(judged, data.study, window, verdict)
        if window is not None and not unfinished
        else None,
        other_ways=_other_ways(data, measured, checks, window) if window else (),
        outcomes=outcomes,
    )


def _other_ways(
    data: StudyData,
    measured: Mapping[str, Measured],
    checks: Mapping[str, tuple[Check, ...]],
    window: Window,
) -> tuple[OtherWay, ...]:
    """Find the answer again without the prints that stand out, and with a drift taken out."""
    wanted: dict[tuple[tuple[str, ...], str], list[str]] = {}
    for name, answers in checks.items():
        title = data.study.response_named(name).title
        for check in answers:
            if check.passed is not False:
                continue
            if check.name == "outliers":
                odd = check.table.loc[check.table["p"] < EVIDENT, "run"].astype(str)
                wanted.setdefault((tuple(sorted(odd)), ""), []).append(title)
            elif check.name == "influence" and check.table["pulls"].any():
                pulling = check.table.loc[check.table["pulls"], "run"].astype(str)
                wanted.setdefault((tuple(sorted(pulling)), ""), []).append(title)
            elif check.name in DRIFTS:
                wanted.setdefault(((), DRIFTS[check.name]), []).append(title)
    found = []
    for (runs, trend), titles in list(wanted.items())[:MOST_WAYS]:
        changed = _fit_all(data, measured, leave_out=runs, trend=trend)[0]
        if set(changed) != set(checks):
            continue  # without these prints a surface cannot be fitted; the checks say so
        what = (
            f"without run {listed(runs)}"
            if runs
            else f"with a drift over {'print' if trend == 'print_order' else 'measuring'} order taken out"
        )
        why = f"found in {listed(dict.fromkeys(titles))}"
        outcomes = outcome_surfaces(measured, data.runs, data.study, leave_out=runs)[0]
        found.append(other_way(what, why, find_window({**changed, **outcomes}, data.study), window))
    return tuple(found)


def confirm_with(analysis: Analysis, runs: str = "") -> Analysis:
    """Judge the confirmation by the prints named.

    Parameters
    ----------
    analysis : Analysis
        The study.
    runs : str
        Names of runs, parted by commas; empty takes those of round ``confirmation``.

    Returns
    -------
    Analysis
        With the verdict of these runs.

    Raises
    ------
    ConfirmError
        If a run is unknown, was used to fit the model, or was printed before the last run of the fit.
    """
    names = [name.strip() for name in runs.split(",") if name.strip()]
    table = analysis.data.runs
    unknown = [n for n in names if n not in set(table["run"])]
    if unknown:
        raise ConfirmError(f"no run {', '.join(unknown)} in runs.csv; name runs as it does.")
    refuse_reused(names, analysis.surfaces)
    if names:
        table = table[table["run"].isin(names)]
    _, refused = confirming_runs(table, analysis.surfaces)
    if refused:
        raise ConfirmError(" ".join(refused))
    verdict = _confirmation(
        replace(analysis.data, runs=table), analysis.measured, analysis.judged, analysis.window
    )
    return replace(analysis, confirmation=verdict)


def _confirmation(
    data: StudyData,
    measured: Mapping[str, Measured],
    surfaces: Mapping[str, Surface],
    window: Window | None,
) -> Confirmation | None:
    if window is None:
        return None
    runs, refused = confirming_runs(data.runs, surfaces)
    choice = window.recommended
    return judge_confirmation(
        surfaces,
        data.study,
        runs,
        measured,
        recommended=choice.settings if choice else None,
        refused=refused,
    )


def _fit_all(
    data: StudyData,
    measured: Mapping[str, Measured],
    *,
    leave_out: Collection[str] = (),
    trend: str = "",
) -> tuple[dict[str, Surface], dict[str, ModelError]]:
    surfaces: dict[str, Surface] = {}
    errors: dict[str, ModelError] = {}
    for name, result in measured.items():
        if result.response.passes_or_fails:
            continue  # see `kit.model.pass_fail`
        try:
            order = measuring_order(data, name)
            surfaces[name] = fit_surface(
                result, data.runs, data.study, leave_out=leave_out, trend=trend, measuring=order
            )
        except ModelError as error:
            errors[name] = error
    return surfaces, errors


def _joined(errors: Mapping[str, ModelError]) -> ModelError:
    """Make one error of all: nobody should mend one response and then hear of the next."""
    by_text: dict[str, list[str]] = {}
    for name, error in errors.items():
        by_text.setdefault(str(error), []).append(name)
    text = "\n".join(f"{', '.join(names)}: {text}" for text, names in by_text.items())
    terms: list[str] = []
    for error in errors.values():
        if isinstance(error, NotEstimableError):
            terms.extend(t for t in error.terms if t not in terms)
    return NotEstimableError(terms, text) if terms else ModelError(text)
