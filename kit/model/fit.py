"""Fit the surface of a response.

Print means are fitted on coded actual settings: by least squares, with fixed blocks where there are
several, or as a mixed model where blocks are random. What the runs cannot support is refused with a
remedy, or left out and said.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.bench.measured import Measured, censored_runs
from kit.design.height_stacked import counts_height, with_height
from kit.errors import ModelError
from kit.model.estimable import Estimable, estimable_terms
from kit.model.fit_notes import FEW_SPARE as FEW_SPARE
from kit.model.fit_notes import fit_notes, group_notes
from kit.model.fitted import Fitted, fit_prints, uneven_scatter
from kit.model.lack_of_fit import lack_of_fit, mixed_lack_of_fit
from kit.model.mixed import BLOCK, RandomPart, random_groups
from kit.model.scale_choice import choose_scale, on_scale
from kit.model.selection import selected_terms
from kit.model.surface import Surface, VarianceParts
from kit.model.tried import TriedRegion
from kit.saying import counted, listed
from kit.study.data import StudyData
from kit.study.description import Study
from kit.terms import FloatArray, block_columns, expand_terms, model_matrix
from kit.words import CONFIRMATION as CONFIRMATION

IntArray = npt.NDArray[np.int64]

DRIFT = "drift"
"""Name of the column that takes a drift out."""


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
    return {
        name: fit_surface(m, data.runs, data.study, measuring=measuring_order(data, name))
        for name, m in measured.items()
    }


def measuring_order(data: StudyData, response: str) -> dict[str, float]:
    """Give the order in which the prints were measured: the mean row of their readings.

    Parameters
    ----------
    data : StudyData
        The study taken in; readings are typed in the order they were taken.
    response : str
        Its name.

    Returns
    -------
    dict of run to float
        For printed runs with readings that count.
    """
    if "response" not in data.readings:  # a study made in memory
        return {}
    mine = data.readings[data.readings["response"] == response]
    mine = mine[mine["excluded"] == ""]
    return {str(run): float(row) for run, row in mine.groupby("run")["row"].mean().items()}


def fit_surface(
    measured: Measured,
    runs: pd.DataFrame,
    study: Study,
    *,
    leave_out: Collection[str] = (),
    trend: str = "",
    measuring: Mapping[str, float] | None = None,
) -> Surface:
    """Fit one response's surface.

    Parameters
    ----------
    measured : Measured
        Results of the response, one value a print.
    runs : DataFrame
        The runs table of the study (`StudyData.runs`); rounds named ``confirmation`` never enter.
    study : Study
        For coding, model terms and blocks.
    leave_out : collection of str, optional
        Runs to leave out, to see the answer without them.
    trend : {"", "print_order", "measured"}
        Take a straight drift over that order out; predictions then speak of the middle of it.
    measuring : mapping of run to float, optional
        Order in which the prints were measured.

    Returns
    -------
    Surface
        Coefficients in coded units and the response's unit, or on the scale the study asks for, with everything later
        steps need.

    Raises
    ------
    NotEstimableError
        If main effects cannot be told apart: all of them are named.
    ModelError
        If no run is left to judge scatter by, within or between random groups, a factor that is hard to
        change was changed inside a block, all prints agree, or a value has no place on the scale asked for.

    Notes
    -----
    Residual degrees of freedom are prints less terms and blocks. The residual mean square is that of
    print means, so specimens and repeat readings never count as replicates. Random groups are the
    blocks where `Study.random_blocks` says so, and the columns named under ``random``.
    """
    used = _used_runs(measured, runs[~runs["run"].isin(list(leave_out))])
    used["measured"] = used["run"].map(dict(measuring or {})).astype(float)
    _refuse_no_results(measured, used)
    _refuse_changed_inside(study, used)
    coding, units = study.coding, {f.name: f.unit for f in study.factors}
    coded = coding.code({name: used[f"{name}_actual"] for name in coding.names})
    fixed = study.model.blocks != "none" and not study.random_blocks
    labels = used["block"].to_numpy() if fixed else np.ones(len(used))
    block_names, blocks = block_columns(labels.tolist())
    if trend:
        order = used[trend].to_numpy(dtype=float)
        drift = (order - order.mean()) / np.ptp(order)
        block_names, blocks = [*block_names, DRIFT], np.column_stack([blocks, drift])
    if counts_height(study):
        block_names, blocks = with_height(block_names, blocks, runs, used)
    chosen = estimable_terms(coding, expand_terms(coding, study.model.terms), coded, blocks, units)
    design = np.column_stack([model_matrix(coding, chosen.terms, coded), blocks])
    if study.model.selection == "none":
        _refuse_no_spare_run(design, chosen, blocks)

    names = ([BLOCK] if study.random_blocks else []) + list(study.model.random)
    groups = random_groups(used, names)
    stated, scale = measured.response, choose_scale(measured.response, used, design, groups)
    measured = on_scale(measured, scale, used["run"])
    used["value"] = y = scale.forward(used["value"].to_numpy(dtype=float))
    censored = used["censored"].to_numpy(dtype=bool)
    selection = selected_terms(study, chosen.terms, coded, blocks, y, groups, censored)
    if selection is not None:
        chosen = replace(chosen, terms=selection.terms)
        design = np.column_stack([model_matrix(coding, chosen.terms, coded), blocks])
        _refuse_no_spare_run(design, chosen, blocks)
    fit = fit_prints(
        design, y, groups, censored=censored, uneven=uneven_scatter(coding, stated.spread, coded)
    )
    mixed = fit.mixed
    cells = _cells(coding.code({name: used[name] for name in coding.names}))
    return Surface(
        response=measured.response,
        coding=coding,
        terms=chosen.terms,
        block_names=tuple(block_names),
        coefficients=fit.coefficients,
        covariance=fit.variance * fit.unscaled,
        term_df=fit.term_df,
        unscaled=fit.unscaled,
        residual_variance=fit.variance,
        residual_df=float(fit.df),
        observations=_observations(used, coding.names, cells, fit),
        not_estimable=chosen.not_estimable,
        alias_notes=chosen.alias_notes,
        r2=fit.r2,
        r2_predicted=fit.r2_predicted,
        lack_of_fit=None
        if censored.any()
        else lack_of_fit(design, blocks, cells, fit.centred, fit.weights)
        if mixed is None
        else mixed_lack_of_fit(design, cells, y, mixed.part),
        variance=_variance_parts(measured, fit.variance, mixed.part if mixed else None),
        tried=TriedRegion(coding, coded),
        specimens_per_print=measured.specimens_per_print,
        specimen_variance=measured.specimen_variance,
        specimen_df=float(measured.specimen_df),
        design=design,
        method=fit.method,
        notes=fit_notes(
            round(fit.df), fit.unscaled, fit.told, design, chosen.terms, used, bool(trend)
        )
        + group_notes(names, mixed, study),
        factor_units=units,
        mixed=mixed.part if mixed else None,
        weights=fit.weights,
        spread=fit.spread,
        selection=selection,
        scale=scale,
        stated_response=None if scale.is_plain else stated,
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
    used["censored"] = used["run"].isin(censored_runs(measured))
    return used


def _cells(planned: FloatArray) -> IntArray:
    # Number the planned settings.
    _, cells = np.unique(planned.round(9), axis=0, return_inverse=True)
    return np.asarray(cells).ravel()


def _observations(
    used: pd.DataFrame, names: Sequence[str], cells: IntArray, fit: Fitted
) -> pd.DataFrame:
    columns = {
        "run": used["run"],
        "print_order": used["print_order"],
        "measured": used["measured"],
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
    if used["censored"].any():
        columns["censored"] = used["censored"]
    return pd.DataFrame(columns)


def _variance_parts(measured: Measured, residual: float, part: RandomPart | None) -> VarianceParts:
    # Split the scatter of prints into what arises between groups, between prints and below them.
    specimen, repeat = measured.specimen_variance, measured.repeat_variance
    below = 0.0 if repeat is None else repeat / measured.repeats_per_specimen
    between = {} if part is None else dict(zip(part.names, part.components.tolist(), strict=False))
    if specimen is not None:
        inside = specimen / measured.specimens_per_print
        specimen = max(0.0, specimen - below)
    else:  # one specimen a print: what specimens scatter cannot be told from what prints do
        inside = below
    return VarianceParts(
        print_=max(0.0, residual - inside),
        block=between.pop(BLOCK, None),
        specimen=specimen,
        repeat=repeat,
        groups=between,
    )


def _refuse_changed_inside(study: Study, used: pd.DataFrame) -> None:
    # A block is what shares one setting of a hard-to-change factor; else its share of luck is hidden.
    if not study.random_blocks:
        return
    for factor in study.factors:
        if not factor.hard_to_change:
            continue
        settings = used.groupby("block", sort=True)[factor.name].nunique()
        mixed = settings.index[settings > 1]
        if len(mixed):
            raise ModelError(
                f"{factor.name} is hard to change, but block {listed([str(b) for b in mixed])} of runs.csv holds more than "
                "one setting of it. Prints that share a setting share its luck: number the blocks so that "
                f"each change of {factor.name} starts a new one. If {factor.name} was set anew for every print, in "
                "random order, say hard_to_change = false."
            )


def _refuse_no_results(measured: Measured, used: pd.DataFrame) -> None:
    if used.empty:
        raise ModelError(" ".join(["no printed run has a result yet.", *measured.notes]))
    if len(used) > 1 and np.ptp(used["value"].to_numpy()) == 0 and not used["censored"].any():
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
