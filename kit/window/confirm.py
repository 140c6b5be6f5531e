"""Confirm that new prints at the recommended settings do what was foretold.

The prints of round ``confirmation`` never enter a fit. Their means are held against prediction intervals,
their pieces against the limits with a guard band for the measuring, and the answer is one of three: meets,
does not meet, undecided.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import sqrt

import numpy as np
import pandas as pd
from scipy import special, stats

from kit.bench.measured import Measured
from kit.model.predict import distribution
from kit.model.surface import Surface
from kit.study.description import Response, Study
from kit.terms import FloatArray
from kit.window.confirm_reasons import FEWEST as FEWEST
from kit.window.confirm_reasons import open_points_of, reasons_against
from kit.window.confirming import at_one_setting, other_notes, refuse_reused, same
from kit.window.probability import chance_to_meet
from kit.window.result import Setting
from kit.window.tolerance import share_limits, tail_limits
from kit.window.verdict import DOES_NOT_MEET, MEETS, UNDECIDED, Confirmation, ConfirmedResponse

GUARD = float(special.ndtri(0.95))
"""Guard band in standard uncertainties: a reading clears a limit with 95 % one-sided (JCGM 106; ISO 14253-1)."""

SURE = 0.95
"""Joint probability of the prediction intervals, and one-sided confidence of every other claim."""

EASY = 0.90
"""A window as good as foretold passes the count with at least this chance."""

USUAL = 6
"""Confirming prints that are planned unless asked otherwise; common practice, no source."""


def acceptance(prints: int, promised: float, confidence: float) -> tuple[int, int]:
    """Give the prints that may miss, and from how many misses on the promise is refuted.

    Parameters
    ----------
    prints : int
        Confirming prints.
    promised : float
        Chance foretold that one print meets.
    confidence : float
        Chance that the study asks for.

    Returns
    -------
    most : int
        A window as good as foretold has at most so many misses with a chance of 90 % or more.
    refuted : int
        So many misses or more come with less than 5 % where the chance is what the study asks for;
        ``prints`` + 1 where no count can refute it.

    Examples
    --------
    >>> acceptance(6, 0.95, 0.90)
    (1, 3)
    """
    most = int(stats.binom.ppf(EASY, prints, 1 - promised))
    counts = np.arange(prints + 1)
    tail = stats.binom.sf(counts - 1, prints, 1 - confidence)
    rare = counts[tail < 1 - SURE]
    refuted = int(rare[0]) if len(rare) else prints + 1
    return min(most, refuted - 1), refuted


def prediction_of_mean(
    surface: Surface, coded: FloatArray, prints: int, *, specimens: float, sure: float = SURE
) -> tuple[float, float, float]:
    """Foretell the mean of several new prints at one setting.

    Parameters
    ----------
    surface : Surface
        The fitted surface.
    coded : array, shape (k, n_factors)
        Coded settings of the prints, or one row for all.
    prints : int
        How many.
    specimens : float
        Pieces measured a print (harmonic mean).
    sure : float
        Probability of the interval.

    Returns
    -------
    foretold, low, high : float
        In the unit of the response.

    Notes
    -----
    Variance x'Vx + s2/n (plus the block variance where blocks are random: a new day is a new block),
    Student t with the degrees of freedom of one new print. A day that differs from those of the fit by
    more than that is not foreseen. On another scale than the one measured on the mean is taken there, and taken back.
    """
    at = np.atleast_2d(coded).mean(axis=0, keepdims=True)
    location, scale, df = distribution(surface, at, "print")
    own = float(surface.print_variance(at)[0])
    pieces = (surface.specimen_variance or 0.0) * (1 / specimens - 1 / surface.specimens_per_print)
    one = max(own + pieces, 0.0)
    variance = float(scale[0]) ** 2 - own + one / prints
    reach = float(special.stdtrit(float(df[0]), (1 + sure) / 2)) * sqrt(max(variance, 0.0))
    middle = float(location[0])
    foretold, low, high = surface.scale.back([middle, middle - reach, middle + reach])
    return float(foretold), float(low), float(high)


def judge_confirmation(
    surfaces: Mapping[str, Surface],
    study: Study,
    runs: pd.DataFrame,
    measured: Mapping[str, Measured],
    *,
    recommended: Mapping[str, Setting] | None,
    refused: Sequence[str] = (),
) -> Confirmation | None:
    """Judge the confirming prints.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        What foretold.
    study : Study
        Requirements and the confidence asked for.
    runs : DataFrame
        The confirming runs, as `confirming_runs` gives them.
    measured : mapping of response name to Measured
        Results of all runs.
    recommended : mapping of factor name to setting, or None
        What is recommended now.
    refused : sequence of str
        Sentences about runs that were not judged.

    Returns
    -------
    Confirmation or None
        None when no confirming print has been measured for every requirement.

    Raises
    ------
    ConfirmError
        If a run was used in the fit.

    Notes
    -----
    Does not meet: so many prints clearly miss as come with less than 5 % where the chance is what was
    asked for; or a response's own chance, from mean and scatter of these prints alone (noncentral t),
    lies below it with 95 % confidence, shared out over the responses. Meets: at most `acceptance` prints
    do not clearly meet, every mean lies in its prediction interval or beyond it on the harmless side, and
    there are three prints or more. Else undecided.
    """
    refuse_reused([str(r) for r in runs["run"]], surfaces)
    limited = [r for r in study.responses if r.has_limits and r.name in surfaces]
    chosen, others = at_one_setting(runs, study, recommended)
    pieces = {r.name: _pieces(measured.get(r.name), chosen) for r in limited}
    complete = [
        str(run)
        for run in chosen.loc[chosen["status"] == "printed", "run"]
        if all(str(run) in set(p["run"].astype(str)) for p in pieces.values())
    ]
    if not complete or not limited:
        return None
    judged = chosen[chosen["run"].astype(str).isin(complete)]
    settings = {n: judged[n].iloc[0] for n in study.coding.names}
    coded = study.coding.code({n: [v] for n, v in settings.items()})
    shown = [
        r
        for r in study.responses
        if r.name in surfaces and r.name in measured and not r.passes_or_fails
    ]
    found = {
        r.name: _judge(r, surfaces[r.name], judged, measured[r.name], len(shown), study)
        for r in shown
        if not _pieces(measured[r.name], judged).empty
    }
    return _whole(
        study,
        found,
        complete,
        settings={k: v if isinstance(v, str) else float(v) for k, v in settings.items()},
        at_recommended=recommended is not None and same(settings, recommended),
        not_passed=_not_passed(limited, pieces, complete),
        failed=int((chosen["status"] == "failed").sum()),
        promised=float(chance_to_meet(surfaces, coded)[0]),
        notes=(*refused, *other_notes(others, chosen, complete)),
    )


def _pieces(measured: Measured | None, runs: pd.DataFrame) -> pd.DataFrame:
    if measured is None:
        return pd.DataFrame(columns=["run", "specimen", "value", "u_repeat"])
    table = measured.specimens
    return table[table["run"].isin(set(runs["run"]))]


def _not_passed(
    limited: Sequence[Response], pieces: Mapping[str, pd.DataFrame], runs: Sequence[str]
) -> set[str]:
    """Name the prints with a piece that failed a pass/fail requirement."""
    found: set[str] = set()
    for response in limited:
        if response.passes_or_fails:
            table = pieces[response.name]
            found |= set(table.loc[table["value"] < 1, "run"].astype(str)) & set(runs)
    return found


def _judge(
    response: Response,
    surface: Surface,
    runs: pd.DataFrame,
    measured: Measured,
    responses: int,
    study: Study,
) -> ConfirmedResponse:
    pieces = _pieces(measured, runs)
    values = pieces.groupby("run", sort=False)["value"].mean()
    n, scale = len(values), surface.scale
    fitted = scale.forward(values)
    centre = float(fitted.mean()) if len(fitted) else float("nan")
    mean = float(values.mean()) if scale.is_plain else float(scale.back(centre))
    sd = float(values.std()) if n > 1 else float("nan")
    own_sd = sd if scale.is_plain or n < 2 else float(np.std(fitted, ddof=1))
    coding = study.coding
    coded = coding.code({m: runs[f"{m}_actual"] for m in coding.names})
    counts = pieces.groupby("run").size()
    sure = 1 - (1 - SURE) / responses
    foretold, low, high = prediction_of_mean(
        surface, coded, n, specimens=float(1 / np.mean(1 / counts)), sure=sure
    )
    lower = -np.inf if response.lower is None else response.lower
    upper = np.inf if response.upper is None else response.upper
    inside = low <= mean <= high
    towards = (mean < low and np.isfinite(lower)) or (mean > high and np.isfinite(upper))
    uncertainty = np.hypot(
        pieces["u_repeat"].fillna(0.0).to_numpy(dtype=float), measured.u_correction
    )
    guard = GUARD * uncertainty
    value = pieces["value"].to_numpy(dtype=float)
    missed = (value < lower - guard) | (value > upper + guard)
    clear = (value >= lower + guard) & (value <= upper - guard)
    names = pieces["run"].astype(str).to_numpy()
    bad = sorted(set(names[missed]))
    doubtful = sorted(set(names[~clear]) - set(bad))
    chance = _chance_limits(
        scale.requirement(response),
        mean if scale.is_plain else centre,
        own_sd,
        n,
        1 - (1 - SURE) / max(responses, 1),
    )
    verdict = MEETS
    if response.has_limits and chance[1] < study.window.confidence:
        verdict = DOES_NOT_MEET
    elif towards or bad or doubtful or n < FEWEST:
        verdict = UNDECIDED
    return ConfirmedResponse(
        response.name, n, tuple(float(v) for v in values), foretold, low, high, mean, sd, inside,
        bool(towards), float(guard.max(initial=0.0)), tuple(bad), tuple(doubtful), *chance, verdict,
    )  # fmt: skip


def _chance_limits(
    response: Response, mean: float, sd: float, n: int, sure: float
) -> tuple[float, float]:
    """Give limits of the chance to meet one response's limits, from mean and scatter of new prints alone.

    Two limits share the confidence of the lower one; the upper one is that of the nearer limit.

    Returns
    -------
    low, high : float
    """
    if n < 2 or not response.has_limits:
        return float("nan"), float("nan")
    if not sd > 0:
        return float("nan"), float("nan")
    distances = []
    if response.lower is not None:
        distances.append((mean - response.lower) / sd)
    if response.upper is not None:
        distances.append((response.upper - mean) / sd)
    each = 1 - (1 - sure) / len(distances)
    low = 1 - sum(1 - tail_limits(d, n, each)[0] for d in distances)
    high = min(tail_limits(d, n, sure)[1] for d in distances)
    return max(low, 0.0), high


def _whole(
    study: Study,
    found: Mapping[str, ConfirmedResponse],
    runs: Sequence[str],
    *,
    settings: Mapping[str, Setting],
    at_recommended: bool,
    not_passed: set[str],
    failed: int,
    promised: float,
    notes: tuple[str, ...],
) -> Confirmation:
    # A print that failed has missed everything, where the study counts failed prints.
    counted = failed if study.window.failed_prints else 0
    n, confidence = len(runs) + counted, study.window.confidence
    bad = {r for f in found.values() for r in f.missed} | not_passed
    doubtful = {r for f in found.values() for r in f.doubtful} - bad
    missed = len(bad) + counted
    met = n - missed - len(doubtful)
    most, refuted = acceptance(n, max(promised, confidence), confidence)
    against = reasons_against(study, found, missed, n, refuted)
    open_points = open_points_of(study, found, missed, len(doubtful), n, most)
    verdict = DOES_NOT_MEET if against else UNDECIDED if open_points else MEETS
    good = f"{met} of {n} prints clearly meet every requirement, and the means lie where they were foretold or on the safe side."
    low, _ = share_limits(met, n, SURE)
    _, high = share_limits(n - missed, n, SURE)
    return Confirmation(
        verdict=verdict,
        settings=settings,
        at_recommended=at_recommended,
        runs=tuple(runs),
        met=met,
        missed=missed,
        doubtful=len(doubtful),
        most_missed=most,
        failed=failed,
        share_low=low,
        share_high=high,
        promised=promised,
        confidence=confidence,
        responses=found,
        reasons=tuple(against + open_points) or (good,),
        notes=notes,
        not_passed=tuple(sorted(not_passed)),
    )
