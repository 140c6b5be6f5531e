"""Fit the surface of a response: the one place where statsmodels fits.

Print means are fitted by least squares on coded actual settings, with fixed blocks where there are
several. What the runs cannot support is refused with a remedy, or left out and said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from statsmodels.regression.linear_model import OLS

from kit.bench.measured import Measured
from kit.errors import ModelError
from kit.model.estimable import Estimable, estimable_terms
from kit.model.lack_of_fit import lack_of_fit
from kit.model.least_squares import left_out_residuals, studentised_residuals
from kit.model.saying import counted, listed
from kit.model.surface import Surface, VarianceParts
from kit.model.tried import TriedRegion
from kit.study.data import StudyData
from kit.study.description import Study
from kit.terms import FloatArray, block_columns, expand_terms, model_matrix

IntArray = npt.NDArray[np.int64]

CONFIRMATION = "confirmation"

FEW_SPARE = 3
"""Fewer residual degrees of freedom than this are flagged."""

HARDLY_APART = 100.0
"""A variance inflation above this is said: common practice warns from 10, coded designs stay below 5."""


def fit_surfaces(data: StudyData, measured: Mapping[str, Measured]) -> dict[str, Surface]:
    """Fit every response that has results.

    Parameters
    ----------
    data : StudyData
        The study taken in.
    measured : mapping of response name to Measured
        From `kit.bench.instruments.specimen_results`.

    Returns
    -------
    dict of response name to Surface
        In the order of ``measured``.
    """
    return {name: fit_surface(m, data.runs, data.study) for name, m in measured.items()}


def fit_surface(measured: Measured, runs: pd.DataFrame, study: Study) -> Surface:
    """Fit one response's surface.

    Parameters
    ----------
    measured : Measured
        Results of the response, one value a print.
    runs : DataFrame
        The runs table of the study (`StudyData.runs`); rounds named ``confirmation`` never enter.
    study : Study
        For coding, model terms and blocks.

    Returns
    -------
    Surface
        Coefficients in coded units and the response's unit, with everything later steps need.

    Raises
    ------
    NotEstimableError
        If main effects cannot be told apart: all of them are named.
    ModelError
        If no run is left to judge scatter by, blocks would have to be random, or all prints agree.

    Notes
    -----
    Residual degrees of freedom are prints less terms and blocks. The residual mean square is that of
    print means, so specimens and repeat readings never count as replicates.
    """
    used = _used_runs(measured, runs)
    _refuse_mixed(study, used)
    _refuse_no_results(measured, used)
    coding, units = study.coding, {f.name: f.unit for f in study.factors}
    coded = coding.code({name: used[f"{name}_actual"] for name in coding.names})
    labels = used["block"].to_numpy() if study.model.blocks != "none" else np.ones(len(used))
    block_names, blocks = block_columns(labels.tolist())
    chosen = estimable_terms(coding, expand_terms(coding, study.model.terms), coded, blocks, units)
    design = np.column_stack([model_matrix(coding, chosen.terms, coded), blocks])
    _refuse_no_spare_run(design, chosen, blocks)

    fit = _least_squares(design, used["value"].to_numpy(dtype=float))
    cells = _cells(coding.code({name: used[name] for name in coding.names}))
    return Surface(
        response=measured.response,
        coding=coding,
        terms=chosen.terms,
        block_names=tuple(block_names),
        coefficients=fit.coefficients,
        covariance=fit.variance * fit.unscaled,
        term_df=np.full(len(fit.coefficients), float(fit.df)),
        unscaled=fit.unscaled,
        residual_variance=fit.variance,
        residual_df=float(fit.df),
        observations=_observations(used, coding.names, cells, fit),
        not_estimable=chosen.not_estimable,
        alias_notes=chosen.alias_notes,
        r2=fit.r2,
        r2_predicted=fit.r2_predicted,
        lack_of_fit=lack_of_fit(design, blocks, cells, fit.centred),
        variance=_variance_parts(measured, fit.variance),
        tried=TriedRegion(coding, coded),
        specimens_per_print=measured.specimens_per_print,
        specimen_variance=measured.specimen_variance,
        specimen_df=float(measured.specimen_df),
        design=design,
        notes=_notes(fit, design, chosen, used),
        factor_units=units,
    )


@dataclass(frozen=True)
class _Fit:
    """What statsmodels found, and what follows run by run. ``centred`` is y less its mean."""

    coefficients: FloatArray
    unscaled: FloatArray
    variance: float
    df: int
    centred: FloatArray
    fitted: FloatArray
    residuals: FloatArray
    leverage: FloatArray
    left_out: FloatArray
    studentised: FloatArray
    r2: float
    r2_predicted: float


def _least_squares(design: FloatArray, y: FloatArray) -> _Fit:
    # Readings with many constant leading digits lose none of the others when the mean is taken off
    # first: the difference is exact in doubles, and the intercept takes it up again.
    mean = float(y.mean())
    centred = y - mean
    found = OLS(centred, design).fit(method="qr")
    coefficients = np.asarray(found.params, dtype=float).copy()
    unscaled = np.asarray(found.normalized_cov_params, dtype=float)
    residuals = np.asarray(found.resid, dtype=float)
    leverage = np.sum((design @ unscaled) * design, axis=1)
    df = len(y) - design.shape[1]
    missed = left_out_residuals(residuals, leverage)
    total = float(np.sum((centred - centred.mean()) ** 2))
    coefficients[0] += mean
    return _Fit(
        coefficients=coefficients,
        unscaled=unscaled,
        variance=float(residuals @ residuals) / df,
        df=df,
        centred=centred,
        fitted=y - residuals,
        residuals=residuals,
        leverage=leverage,
        left_out=y - missed,
        studentised=studentised_residuals(residuals, leverage, df),
        r2=1 - float(residuals @ residuals) / total,
        r2_predicted=1 - float(np.sum(missed**2)) / total,
    )


def _used_runs(measured: Measured, runs: pd.DataFrame) -> pd.DataFrame:
    # Give the printed runs with a result, confirmation left out, in the order of the table.
    values = dict(zip(measured.prints["run"], measured.prints["value"], strict=True))
    rows = zip(runs["run"], runs["status"], runs["round"], strict=True)
    mine = [
        place
        for place, (run, status, stage) in enumerate(rows)
        if status == "printed" and stage != CONFIRMATION and run in values
    ]
    used = runs.take(mine).reset_index(drop=True)
    used["value"] = np.array([values[run] for run in used["run"]], dtype=float)
    return used


def _cells(planned: FloatArray) -> IntArray:
    # Number the planned settings.
    _, cells = np.unique(planned.round(9), axis=0, return_inverse=True)
    return np.asarray(cells).ravel()


def _observations(
    used: pd.DataFrame, names: Sequence[str], cells: IntArray, fit: _Fit
) -> pd.DataFrame:
    columns = {
        "run": used["run"],
        "print_order": used["print_order"],
        "block": used["block"],
        "cell": cells,
        **{name: used[f"{name}_actual"] for name in names},
        "value": used["value"],
        "fitted": fit.fitted,
        "residual": fit.residuals,
        "leverage": fit.leverage,
        "studentised": fit.studentised,
        "left_out": fit.left_out,
    }
    return pd.DataFrame(columns)


def _variance_parts(measured: Measured, residual: float) -> VarianceParts:
    # Split the scatter of prints into what arises between prints and below them.
    specimen, repeat = measured.specimen_variance, measured.repeat_variance
    below = 0.0 if repeat is None else repeat / measured.repeats_per_specimen
    if specimen is not None:
        return VarianceParts(
            print_=max(0.0, residual - specimen / measured.specimens_per_print),
            block=None,
            specimen=max(0.0, specimen - below),
            repeat=repeat,
        )
    # One specimen a print: what specimens scatter cannot be told from what prints do.
    return VarianceParts(
        print_=max(0.0, residual - below), block=None, specimen=None, repeat=repeat
    )


def _refuse_mixed(study: Study, used: pd.DataFrame) -> None:
    hard = [f.name for f in study.factors if f.hard_to_change]
    if not study.random_blocks or (used["block"].nunique() < 2 and not hard):
        return
    why = (
        f"{listed(hard)} is hard to change, so runs that share one setting of it share its luck as well"
        if hard
        else "blocks are declared random, so runs of one block share its luck"
    )
    raise ModelError(
        f"{why} and are not independent prints. Judging such a study takes a mixed model, which this "
        "version does not have yet; ordinary least squares would claim more certainty than there is. "
        'If the blocks are a fixed set that will come again, say blocks = "fixed" under [model]; if '
        "every run was set anew in random order, say hard_to_change = false."
    )


def _refuse_no_results(measured: Measured, used: pd.DataFrame) -> None:
    if used.empty:
        raise ModelError(" ".join(["no printed run has a result yet.", *measured.notes]))
    if len(used) > 1 and np.ptp(used["value"].to_numpy()) == 0:
        raise ModelError(
            f"all {len(used)} prints gave the same value, {used['value'].iloc[0]:g}, so neither effects nor "
            "scatter can be judged. Read it with a finer instrument, or leave this response out."
        )


def _refuse_no_spare_run(design: FloatArray, chosen: Estimable, blocks: FloatArray) -> None:
    n, p = design.shape
    if n > p:
        return
    higher = [t.name for t in chosen.terms if t.order > 1]
    parts = counted(p - blocks.shape[1], "term")
    if blocks.shape[1]:
        parts += f" and {counted(blocks.shape[1], 'difference')} between blocks"
    drop = f", or drop {higher[-1]} from terms under [model]" if higher else ""
    raise ModelError(
        f"{counted(n, 'run')}, {parts}: no spare run to judge the scatter by. Add at least 1 run "
        f"({FEW_SPARE} or more give usable intervals){drop}."
    )


def _notes(fit: _Fit, design: FloatArray, chosen: Estimable, used: pd.DataFrame) -> tuple[str, ...]:
    # Say what makes this fit shaky, and what it speaks of.
    notes = []
    if fit.df < FEW_SPARE:
        notes.append(
            f"Only {counted(fit.df, 'spare run')} ({len(used)} runs, {design.shape[1]} numbers fitted) to judge "
            "the scatter by: intervals are wide and hardly to be relied on."
        )
    hardly = _hardly_apart(fit.unscaled, design, [t.name for t in chosen.terms])
    if hardly:
        notes.append(
            f"{listed(hardly)} {'is' if len(hardly) == 1 else 'are'} hardly told apart from other terms by "
            "these runs; the intervals say how little is known."
        )
    alone = used.loc[np.isnan(fit.left_out), "run"]
    if len(alone):
        notes.append(
            f"{'Run' if len(alone) == 1 else 'Runs'} {listed(map(str, alone))} alone "
            f"{'decides' if len(alone) == 1 else 'decide'} part of the surface; no other run can check it."
        )
    blocks = design.shape[1] - len(chosen.terms)
    if blocks:
        notes.append(
            f"The prints came in {blocks + 1} blocks; predictions speak of an average block."
        )
    return tuple(notes)


def _hardly_apart(unscaled: FloatArray, design: FloatArray, names: Sequence[str]) -> list[str]:
    # Name the terms whose variance inflation, about the mean, is above `HARDLY_APART`.
    spread = np.sum((design - design.mean(axis=0)) ** 2, axis=0)
    inflation = np.diag(unscaled) * spread
    return [
        n for n, v in zip(names, inflation, strict=False) if v > HARDLY_APART and n != "intercept"
    ]
