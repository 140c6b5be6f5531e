"""Rehearse a plan: print it many times virtually and count how often the stated truth is found.

The plan is printed many times by a virtual printer whose truth is stated, every time fitted and judged
exactly as real readings would be. Everything here is simulated and is said to be so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import inf, nan, sqrt
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import ndtr
from scipy.stats import t as student
from tqdm import tqdm

from kit.bench.measured import Measured
from kit.design.noise import Noise
from kit.errors import KitError
from kit.model.fit import fit_surface
from kit.model.pooling import pooled_variance
from kit.model.scale_choice import as_measured
from kit.model.surface import Surface
from kit.rehearse import Truth, VirtualPrinter, virtual_printer
from kit.report.plan import Plan, propose_plan
from kit.study.description import Response, Study
from kit.study.truth import read_truth
from kit.terms import FloatArray
from kit.window.region import find_window
from kit.window.result import Window

Progress = Callable[[int], object]

DEFAULT_TIMES = 100
SUPPOSED = 2.0
"""Where no truth is stated: low to high of every setting makes a difference of so many SD."""
SEED_STEP = 21
SURE = 0.95


@dataclass(frozen=True)
class Rehearsal:
    """What came of printing a plan many times.

    Attributes
    ----------
    study : Study
    stated : bool
        Whether the truth came from ``truth.toml``; else it was supposed.
    times : int
        Rehearsals made.
    effects : DataFrame
        One row a response and term but the intercept: ``response``, ``term``, ``true`` (coefficient), ``found`` (share of rehearsals
        in which its 95 % interval kept away from 0), ``covered`` (in which it held the truth), ``half_width`` (on average).
    exists : bool
        Whether printable settings reach the study's confidence in truth.
    recommended, kept, met : float
        Shares of rehearsals: some settings were recommended; those recommended reach the confidence in truth
        (share of the recommended ones); mean true chance at the recommended settings (NaN where there were none).
    said : float
        Mean chance that was stated for them.
    lost : int
        Rehearsals in which nothing could be fitted (failed prints).
    failed : float
        Failed prints a rehearsal.
    in_sd : set of str
        Responses of which the scatter is not known: their effects are in multiples of it.
    """

    study: Study
    stated: bool
    times: int
    effects: pd.DataFrame
    exists: bool
    recommended: float
    kept: float
    met: float
    said: float
    lost: int
    failed: float
    in_sd: frozenset[str] = frozenset()


def rehearse_plan(
    folder: str | Path, times: int = DEFAULT_TIMES, *, progress: bool = True
) -> Rehearsal:
    """Rehearse the plan of a study.

    Parameters
    ----------
    folder : str or Path
        A study folder; ``truth.toml`` in it says what the virtual printer does. Without it every setting is supposed
        to make a difference of twice the scatter.
    times : int, default 100
        Rehearsals; each takes about a quarter of a second.
    progress : bool, default True
        Show a progress bar.

    Returns
    -------
    Rehearsal

    Raises
    ------
    StudyError
        If the study or its truth has problems.
    DesignError
        If the plan cannot be made as asked.
    """
    plan = propose_plan(folder)
    described = read_truth(Path(folder), plan.study)
    printer = supposed_printer(plan) if described is None else virtual_printer(described)
    with tqdm(total=times, desc="rehearsing", unit="plan", disable=not progress) as bar:
        return rehearse(
            plan.study, plan.runs, printer, times=times, rng=np.random.default_rng([plan.study.seed, SEED_STEP]),
            stated=described is not None, progress=bar.update, windows=described is not None,
            in_sd=frozenset() if described else frozenset(r.name for r in plan.study.responses) - plan.noises.keys(),
        )  # fmt: skip


def supposed_printer(plan: Plan) -> VirtualPrinter:
    """Suppose that every setting matters: low to high makes a difference of the margin, or of twice the scatter."""
    return VirtualPrinter({r.name: _supposed(plan, r) for r in plan.study.responses})


def _supposed(plan: Plan, response: Response) -> Truth:
    noise = plan.noises.get(response.name, Noise(1.0, inf, "supposed"))
    half = (response.margin or SUPPOSED * noise.sd) / 2
    effects = {
        t.name: half if t.powers else 2 * half for t in plan.precision.terms if t.is_main_effect
    }
    ends = [v for v in (response.lower, response.upper) if v is not None]
    middle = response.target if response.target is not None else float(np.mean(ends or [0.0]))
    return Truth({"intercept": middle, **effects}, print_sd=noise.sd, decimals=9)


def rehearse(
    study: Study,
    runs: pd.DataFrame,
    printer: VirtualPrinter,
    *,
    times: int,
    rng: np.random.Generator,
    stated: bool = True,
    progress: Progress | None = None,
    windows: bool = True,
    in_sd: frozenset[str] = frozenset(),
) -> Rehearsal:
    """Print, fit and judge a plan many times.

    Parameters
    ----------
    study : Study
        The description.
    runs : DataFrame
        The plan.
    printer : VirtualPrinter
        The truth.
    times : int
        How often.
    rng : Generator
        Source of all chance.
    stated : bool
        Whether the truth was stated or supposed.
    progress : callable, optional
        Told 1 after each rehearsal.
    windows : bool, default True
        Whether to look for a window each time, which takes most of the time.
    in_sd : set of str
        Responses whose scatter is not known and counts as 1.

    Returns
    -------
    Rehearsal
    """
    runs = _fresh(runs, study)
    rows: list[pd.DataFrame] = []
    judged: list[tuple[float, float]] = []
    fitted, failed, window = 0, 0, None
    limited = any(r.has_limits for r in study.responses)
    for _ in range(times):
        surfaces, lost = _one(study, runs, printer, rng)
        failed += lost
        if surfaces is not None:
            fitted += 1
            rows += [_effects(s, printer.truths[n]) for n, s in surfaces.items()]
            if windows and limited:
                window = find_window(surfaces, study)
                judged.append(_judged(window, study, printer))
        if progress is not None:
            progress(1)
    summed = _summed(study, printer, stated, times, rows, judged, fitted, failed, window)
    return replace(summed, in_sd=in_sd)


def _fresh(runs: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Give the plan as if nothing had been printed yet, with what is set as planned."""
    runs = runs[runs["round"] != "confirmation"].sort_values("print_order").reset_index(drop=True)
    actual = {f"{n}_actual": runs[n] for n in study.coding.names}
    return runs.assign(status="printed", note="", **actual)


def _one(
    study: Study, runs: pd.DataFrame, printer: VirtualPrinter, rng: np.random.Generator
) -> tuple[dict[str, Surface] | None, int]:
    """Print and fit once; None where a surface cannot be fitted."""
    failures = printer.failing(study, runs, rng)
    failed = runs["run"].astype(str).isin(failures.keys()).to_numpy()
    now = runs.assign(status=np.where(failed, "failed", "printed"))
    surfaces = {}
    for response in study.responses:
        if response.passes_or_fails:
            continue  # too little is told by one round to rehearse it
        means = printer.print_means(study, runs, response, rng)
        measured = measure_prints(study, response, printer, now[~failed], means[~failed], rng)
        try:
            surfaces[response.name] = fit_surface(as_measured(measured), now, study)
        except KitError:
            return None, int(failed.sum())
    return surfaces, int(failed.sum())


def measure_prints(
    study: Study,
    response: Response,
    printer: VirtualPrinter,
    runs: pd.DataFrame,
    means: FloatArray,
    rng: np.random.Generator,
) -> Measured:
    """Measure virtual prints: specimens scatter about their print, readings about their specimen.

    Parameters
    ----------
    study : Study
        Specimens a print.
    response : Response
        What is measured.
    printer : VirtualPrinter
        Scatter of specimens and readings, repeats.
    runs : DataFrame
        The prints.
    means : array, shape (n,)
        What each print is on average.
    rng : Generator
        Source of all chance.

    Returns
    -------
    Measured
    """
    truth, m = printer.truths[response.name], study.specimen.specimens_per_print
    repeats = printer.repeats.get(response.name, 1)
    within = sqrt(truth.specimen_sd**2 + truth.reading_sd**2 / repeats)
    values = means[:, None] + rng.normal(0, 1, (len(means), m)) * within
    names = runs["run"].astype(str).to_numpy()
    specimens = pd.DataFrame(
        {
            "run": np.repeat(names, m),
            "specimen": np.tile([str(i + 1) for i in range(m)], len(names)),
            "value": values.ravel(),
            "readings": repeats,
            "u_repeat": nan,
            "flags": "",
        }
    )
    prints = pd.DataFrame(
        {"run": names, "value": values.mean(axis=1), "specimens": m, "readings": m * repeats}
    )
    variance, df = (
        pooled_variance(values.ravel(), np.repeat(names, m).tolist()) if m > 1 else (None, 0)
    )
    return Measured(
        response, specimens, prints, specimen_variance=variance, specimen_df=df,
        specimens_per_print=float(m), repeats_per_specimen=float(repeats),
    )  # fmt: skip


def _effects(surface: Surface, truth: Truth) -> pd.DataFrame:
    """Tell for each term whether it was found and whether its interval holds the truth."""
    p = len(surface.terms)
    estimate = surface.coefficients[:p]
    error = np.sqrt(np.diag(surface.covariance))[:p]
    half = student.ppf(0.5 + SURE / 2, surface.term_df[:p]) * error
    names = [t.name for t in surface.terms]
    true = np.array([truth.coefficients.get(n, 0.0) for n in names])
    table = pd.DataFrame(
        {
            "response": surface.response.name,
            "term": names,
            "true": true,
            "found": np.abs(estimate) > half,
            "covered": np.abs(estimate - true) <= half,
            "half_width": half,
        }
    )
    return table[table["term"] != "intercept"]


def true_chance(study: Study, printer: VirtualPrinter, settings: pd.DataFrame) -> FloatArray:
    """Give the true chance that one new part meets every requirement, shape (n,).

    Returns
    -------
    array, shape (n,)

    Notes
    -----
    Normal scatter between prints and between specimens, responses independent; blocks and spools as on
    average, the printer of the plan.
    """
    chance = np.ones(len(settings))
    for response in study.responses:
        truth = printer.truths[response.name]
        mean = truth.mean(study, settings) + printer.bias.get(response.name, 0.0)
        sd = sqrt(truth.print_sd**2 + truth.specimen_sd**2) or 1e-12
        low = -inf if response.lower is None else response.lower
        high = inf if response.upper is None else response.upper
        chance = chance * (ndtr((high - mean) / sd) - ndtr((low - mean) / sd))
    return np.asarray(chance)


def _judged(window: Window, study: Study, printer: VirtualPrinter) -> tuple[float, float]:
    """Give the stated and the true chance at the recommended settings; missing where there are none."""
    choice = window.recommended
    if choice is None:
        return nan, nan
    settings = printer.felt(study, pd.DataFrame([dict(choice.settings)]))
    return choice.probability, float(true_chance(study, printer, settings)[0])


def _summed(
    study: Study,
    printer: VirtualPrinter,
    stated: bool,
    times: int,
    rows: list[pd.DataFrame],
    judged: list[tuple[float, float]],
    fitted: int,
    failed: int,
    window: Window | None,
) -> Rehearsal:
    effects = _shares(rows)
    said, true = np.array(judged).T if judged else (np.empty(0), np.empty(0))
    have = np.isfinite(true)
    good = true[have] >= study.window.confidence
    return Rehearsal(
        study=study,
        stated=stated,
        times=times,
        effects=effects,
        exists=window is not None
        and _best_chance(window, study, printer) >= study.window.confidence,
        recommended=float(have.mean()) if judged else nan,
        kept=float(good.mean()) if have.any() else nan,
        met=float(true[have].mean()) if have.any() else nan,
        said=float(said[have].mean()) if have.any() else nan,
        lost=times - fitted,
        failed=failed / times if times else 0.0,
    )


def _shares(rows: list[pd.DataFrame]) -> pd.DataFrame:
    columns = ["response", "term", "true", "found", "covered", "half_width"]
    if not rows:
        return pd.DataFrame(columns=columns)
    table = pd.concat(rows, ignore_index=True)
    return (
        table.groupby(["response", "term"], sort=False)
        .mean(numeric_only=False)
        .reset_index()[columns]
    )


def _best_chance(window: Window, study: Study, printer: VirtualPrinter) -> float:
    """Give the best true chance over the settings that were looked at."""
    names = list(study.coding.names)
    settings = printer.felt(study, window.grid[names])
    return float(true_chance(study, printer, settings).max()) if len(settings) else 0.0
