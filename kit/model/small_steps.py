"""Small steps, cycle by cycle: running effects with their error limits, and whether to move, stay or go on.

After Box (1957), Evolutionary operation, Applied Statistics 6, 81-101. The effects of all complete cycles are
averaged; the scatter is judged by how far the cycles disagree once the difference between cycles is taken
out, so that drift from day to day does no harm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from math import inf

import numpy as np
import pandas as pd
from scipy.stats import t as student

from kit.bench.measured import Measured
from kit.errors import ModelError
from kit.study.description import Response, Study
from kit.terms import FloatArray, block_columns, expand_terms, model_matrix
from kit.words import unit_label

MOVE, STAY, GO_ON = "move", "stay", "go on"
SURE = 0.95
CHANGE = "change in mean"
"""How much the corners lie above the middle on average: what the small steps cost or bring as a whole."""


@dataclass(frozen=True)
class RunningEffect:
    """An effect after so many cycles.

    Attributes
    ----------
    cycles : int
        Complete cycles so far.
    name : str
        A term, or ``change in mean``.
    estimate, half_width : float
        What low to high does, with the half-width of its 95 % interval; infinite after one cycle.
    """

    cycles: int
    name: str
    estimate: float
    half_width: float

    @property
    def low(self) -> float:
        """Lower 95 % limit."""
        return self.estimate - self.half_width

    @property
    def high(self) -> float:
        """Upper 95 % limit."""
        return self.estimate + self.half_width

    @property
    def clear(self) -> bool:
        """Whether the interval keeps away from 0."""
        return abs(self.estimate) > self.half_width


@dataclass(frozen=True)
class SmallSteps:
    """Where one response stands.

    Attributes
    ----------
    response : Response
    cycles : int
        Complete cycles.
    running : tuple of RunningEffect
        After each cycle, every effect.
    sd, df : float
        Scatter between prints made alike and its degrees of freedom; missing and 0 after one cycle.
    verdict : str
        ``move``, ``stay`` or ``go on``, as far as this response is concerned.
    reason : str
        Why, in a sentence.
    gains : mapping of step to (float, float)
        How much better (positive) it gets when the middle takes a step, and the half-width of the 95 % interval; a step is
        -1 (to low), 0 or 1 (to high) for each factor, in the order of the study.
    """

    response: Response
    cycles: int
    running: tuple[RunningEffect, ...]
    sd: float
    df: float
    verdict: str
    reason: str
    gains: Mapping[tuple[int, ...], tuple[float, float]]

    @property
    def latest(self) -> tuple[RunningEffect, ...]:
        """The effects after the last complete cycle."""
        return tuple(e for e in self.running if e.cycles == self.cycles)


def judge_small_steps(measured: Measured, runs: pd.DataFrame, study: Study) -> SmallSteps:
    """Judge the cycles of one response.

    Parameters
    ----------
    measured : Measured
        Results, one a print.
    runs : DataFrame
        The runs table; blocks are cycles. Only cycles in which all planned runs have a result count.
    study : Study
        Factors, requirement and margin.

    Returns
    -------
    SmallSteps

    Raises
    ------
    ModelError
        If no cycle is complete.
    """
    table = _complete(measured, runs, study)
    cycles = list(dict.fromkeys(table["block"]))
    running: list[RunningEffect] = []
    fits = [_fit(table[table["block"].isin(cycles[: c + 1])], study) for c in range(len(cycles))]
    for c, fit in enumerate(fits):
        running += fit.effects(c + 1)
    last = fits[-1]
    gains = last.gains(measured.response)
    latest = tuple(e for e in running if e.cycles == len(cycles))
    verdict, reason = _verdict(measured.response, latest, gains, study, last.df)
    return SmallSteps(
        measured.response, len(cycles), tuple(running), last.sd, last.df, verdict, reason, gains
    )


def _complete(measured: Measured, runs: pd.DataFrame, study: Study) -> pd.DataFrame:
    values = dict(zip(measured.prints["run"].astype(str), measured.prints["value"], strict=True))
    table = runs[runs["round"] != "confirmation"].sort_values("print_order")
    table = table.assign(value=[values.get(str(r), np.nan) for r in table["run"]])
    whole = table.groupby("block")["value"].transform(lambda v: v.notna().all()).astype(bool)
    table = table[whole]
    if table.empty:
        raise ModelError(
            f"{measured.response.title}: no cycle is complete yet; finish one, with a result of every print in it."
        )
    actual = {
        n: table[f"{n}_actual"] if f"{n}_actual" in table else table[n] for n in study.coding.names
    }
    return table.assign(**actual)


@dataclass(frozen=True)
class _Fit:
    names: tuple[str, ...]
    scale: FloatArray
    coefficients: FloatArray
    inverse: FloatArray
    sd: float
    df: int
    steps: tuple[tuple[int, ...], ...]
    rows: FloatArray

    def effects(self, cycles: int) -> list[RunningEffect]:
        t = float(student.ppf(0.5 + SURE / 2, self.df)) if self.df else inf
        found = []
        for i, name in enumerate(self.names):
            half = (
                t * self.sd * self.scale[i] * float(np.sqrt(self.inverse[i, i])) if self.df else inf
            )
            found.append(
                RunningEffect(cycles, name, float(self.scale[i] * self.coefficients[i]), half)
            )
        return found

    def gains(self, response: Response) -> dict[tuple[int, ...], tuple[float, float]]:
        """Give the gain of each step of the middle, better counting positive."""
        t = float(student.ppf(0.5 + SURE / 2, self.df)) if self.df else inf
        worse = -1.0 if _wants_less(response) else 1.0
        found = {}
        for step, row in zip(self.steps, self.rows, strict=True):
            half = t * self.sd * float(np.sqrt(row @ self.inverse @ row)) if self.df else inf
            found[step] = (float(worse * (row @ self.coefficients)), half)
        return found


def _fit(table: pd.DataFrame, study: Study) -> _Fit:
    """Average the effects of cycles: terms, change in mean, and a mean for each cycle."""
    coding = study.coding
    coded = coding.code(table)
    terms = [t for t in expand_terms(coding, "interactions") if t.order]
    outer = (np.abs(coded) > 0.5).any(axis=1).astype(float)
    with_change = 0 < outer.sum() < len(outer)
    X = model_matrix(coding, terms, coded)
    names, scale = [t.name for t in terms], np.full(len(terms), 2.0)
    if with_change:
        X, names, scale = np.column_stack([X, outer]), [*names, CHANGE], np.append(scale, 1.0)
    p = X.shape[1]
    blocks = block_columns(table["block"].tolist())[1]
    whole = np.column_stack([X, np.ones(len(X)), blocks])
    y = table["value"].to_numpy(dtype=float)
    coefficients, _, rank, _ = np.linalg.lstsq(whole, y, rcond=None)
    rest = y - whole @ coefficients
    # After one cycle what is left over is at best an interaction of three: no scatter to judge by.
    df = len(y) - int(rank) if len(set(table["block"])) > 1 else 0
    sd = float(np.sqrt(rest @ rest / df)) if df else float("nan")
    inverse = np.linalg.pinv(whole.T @ whole)[:p, :p]
    steps = tuple(s for s in product((-1, 0, 1), repeat=len(coding.factors)) if any(s))
    rows = model_matrix(coding, terms, np.array(steps, dtype=float))
    rows = np.column_stack([rows, np.zeros(len(rows))]) if with_change else rows
    return _Fit(tuple(names), scale, coefficients[:p], inverse, sd, df, steps, rows)


def _wants_less(response: Response) -> bool:
    return response.upper is not None and response.lower is None


def _direction(response: Response) -> bool:
    """Tell whether the response has one good direction."""
    return (response.lower is None) != (response.upper is None)


def _verdict(
    response: Response,
    effects: Sequence[RunningEffect],
    gains: Mapping[tuple[int, ...], tuple[float, float]],
    study: Study,
    df: float,
) -> tuple[str, str]:
    """Say what one response speaks for."""
    if not np.isfinite([e.half_width for e in effects]).all():
        return GO_ON, "One cycle cannot tell scatter from effects."
    margin = response.margin
    best = max(gains, key=lambda c: gains[c][0] - gains[c][1])
    gain, half = gains[best]
    peak = _middle_is_best(response, effects)
    if _direction(response) and not peak and gain - _corrected(half, len(gains), df) > 0:
        return MOVE, f"{response.title} gets clearly better towards {step_words(study, best)}."
    small = margin is not None and all(abs(e.estimate) + e.half_width < margin for e in effects)
    if small:
        return STAY, f"Every effect on {response.title} is smaller than the margin, for certain."
    if peak:
        return (
            STAY,
            f"The middle is clearly better for {response.title} than the corners are on average.",
        )
    clear = [e.name for e in effects if e.clear]
    if clear:
        return (
            GO_ON,
            f"{', '.join(clear)} {'moves' if len(clear) == 1 else 'move'} {response.title}, but it has no one good direction.",
        )
    return GO_ON, f"No effect on {response.title} stands out from the scatter yet."


def _middle_is_best(response: Response, effects: Sequence[RunningEffect]) -> bool:
    """Tell whether the corners are clearly worse than the middle on average."""
    change = next((e for e in effects if e.name == CHANGE), None)
    if change is None or not change.clear or not _direction(response):
        return False
    return change.estimate > 0 if _wants_less(response) else change.estimate < 0


def _corrected(half: float, looks: int, df: float) -> float:
    """Widen a half-width for looking at the best of so many steps, opposite ones counting once (Bonferroni)."""
    wide, narrow = student.ppf(1 - (1 - SURE) / looks, df), student.ppf(0.5 + SURE / 2, df)
    return half * float(wide / narrow)


def step_words(study: Study, step: Sequence[int]) -> str:
    """Name a new middle by its settings."""
    parts = []
    for factor, sign in zip(study.factors, step, strict=True):
        value = factor.coded.middle + sign * factor.coded.half_range
        parts.append(f"{factor.name} {value:g} {unit_label(factor.unit)}".strip())
    return ", ".join(parts)


def overall(steps: Sequence[SmallSteps], study: Study) -> tuple[str, str, tuple[int, ...] | None]:
    """Join the verdicts of all responses.

    Parameters
    ----------
    steps : sequence of SmallSteps
        One a response.
    study : Study
        For the words.

    Returns
    -------
    verdict, reason : str
    step : tuple of int or None
        Where to move; None otherwise.

    Notes
    -----
    Move only where some response gains for certain and none is known to lose; stay where every response
    says so; go on otherwise.
    """
    candidates = [
        step
        for step in (steps[0].gains if steps else {})
        if any(_gains(s, step) for s in steps) and not any(_loses(s, step) for s in steps)
    ]
    if candidates:
        step = max(
            candidates,
            key=lambda c: sum(
                (s.gains[c][0] - s.gains[c][1]) / s.sd for s in steps if _direction(s.response)
            ),
        )
        names = [s.response.title for s in steps if _gains(s, step)]
        return (
            MOVE,
            f"Move the middle to {step_words(study, step)}: clearly better for {', '.join(names)}, and nothing gets clearly worse.",
            step,
        )
    if any(s.verdict == MOVE for s in steps):
        return (
            GO_ON,
            "What is better for one response is clearly worse for another; decide which matters, or go on.",
            None,
        )
    if steps and all(s.verdict == STAY for s in steps):
        return STAY, "Stay: " + " ".join(s.reason for s in steps), None
    return (
        GO_ON,
        "Go on with another cycle: nothing is certain enough yet to move or to stay.",
        None,
    )


def _gains(steps: SmallSteps, step: tuple[int, ...]) -> bool:
    gain, half = steps.gains[step]
    return steps.verdict == MOVE and gain - _corrected(half, len(steps.gains), steps.df) > 0


def _loses(steps: SmallSteps, step: tuple[int, ...]) -> bool:
    gain, half = steps.gains[step]
    if _direction(steps.response):
        return gain + half < 0
    return steps.response.has_limits and abs(gain) > half
