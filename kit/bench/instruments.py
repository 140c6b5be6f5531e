"""From readings to results: one value a specimen, one a print, with the scatter of each step.

The print is the experimental unit: repeat readings are averaged to a specimen, specimens to a print,
and what they scatter is kept as a variance, never counted as replicates.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
import pandas as pd

from kit.bench.at_limit import at_limit, limit_flags, limited_pieces
from kit.bench.correction import correct_readings, correction_u
from kit.bench.curve_readings import (
    break_flags,
    curve_response,
    readings_from_curves,
    study_curves,
)
from kit.bench.measured import Measured
from kit.bench.reading_notes import (
    break_notes,
    input_notes,
    result_notes,
    specimen_flags,
    unused_notes,
)
from kit.bench.recipes import Formula, formulas_for
from kit.bench.uncertainty import satterthwaite_df
from kit.study.data import StudyData
from kit.study.description import Response
from kit.study.quantities import inputs_of, quantity_names
from kit.words import CONFIRMATION as CONFIRMATION

PIECE = ["run", "specimen"]

Scatter = dict[str, tuple[float, int]]
"""Pooled variance and degrees of freedom of single readings, by the part of the response they read."""


def specimen_results(data: StudyData) -> dict[str, Measured]:
    """Turn the readings of a study into one value a specimen and a print, for each response.

    Parameters
    ----------
    data : StudyData
        A study taken in without problems.

    Returns
    -------
    dict of response name to Measured
        In study order; a response of which nothing was read yet is left out. One that was read, but
        of which nothing can be computed, has empty tables and notes that say why.

    Notes
    -----
    Only readings of printed runs count; those of failed prints and excluded ones are named in the
    notes. Confirmation runs get their values too, but the pooled variances are those of the other
    runs, so that nothing of a confirmation enters a fit.
    """
    results = {}
    curves = study_curves(data)
    corrected = correct_readings(readings_from_curves(data, curves), data.references)
    data = replace(data, readings=corrected.readings)
    for response in data.study.responses:
        formulas = formulas_for(response)
        mine = _readings_of(data, response)
        if mine["part"].isin(_leading(response, formulas)).any():
            found = _measure(response, formulas, mine, data)
            said = [f"{response.title}: {text}" for text in corrected.notes.get(response.name, ())]
            said += curves.waiting if response == curve_response(data.study) else ()
            results[response.name] = replace(found, notes=(*found.notes, *said))
    return results


def _readings_of(data: StudyData, response: Response) -> pd.DataFrame:
    # All readings of a response, with the part of it that they read, status and round of their run.
    names = {
        name: read.part
        for name, read in quantity_names(data.study).items()
        if read.response == response.name
    }
    mine = data.readings[data.readings["quantity"].isin(names)]
    mine = mine.assign(
        part=mine["quantity"].map(names),
        excluded=mine["excluded"].fillna("").astype(str).str.strip(),
    )
    runs = data.runs[["run", "status", "round"]]
    return mine.merge(runs, on="run", how="inner", validate="many_to_one", sort=False)


def _leading(response: Response, formulas: Sequence[Formula]) -> set[str]:
    # The readings without which there is no result: not the width of a bar that is yet to be broken.
    averaged = {part for formula in formulas if formula.averages for part in formula.inputs}
    return averaged | set(inputs_of(response)[:1])


def _measure(
    response: Response, formulas: Sequence[Formula], mine: pd.DataFrame, data: StudyData
) -> Measured:
    used = mine[(mine["status"] == "printed") & (mine["excluded"] == "")]
    means, counts = _input_tables(used)
    scatter = _reading_scatter(used[used["round"] != CONFIRMATION])
    pieces, parts = _specimens(formulas, means, counts, scatter)
    done = pieces["value"].notna()
    notes = [*unused_notes(response, mine), *input_notes(response, formulas, means[~done])]
    pieces, parts = pieces[done], parts[done]
    pieces.insert(2, "u_repeat", np.sqrt(parts.sum(axis=1, min_count=1)))
    pieces.insert(3, "flags", specimen_flags(response, pieces, data.study.material.polymer))
    notes += result_notes(response, pieces, data.study.material.polymer)
    reached = at_limit(response, data.study, used)
    broken = limit_flags(break_flags(data, response), reached)
    pieces["censored"] = limited_pieces(response, pieces, broken, reached)
    pieces["flags"] = _joined(pieces["flags"], broken)
    notes += break_notes(response, pieces, broken)

    fitted = ~pieces.index.get_level_values("run").isin(_confirming(data))
    repeat, repeat_df = _repeat_variance(pieces[fitted], parts[fitted], scatter)
    averaged = bool(pieces["averaged"].all())
    effective = pieces.loc[fitted, "effective"]
    order = {run: place for place, run in enumerate(data.runs["run"])}
    table = pieces.drop(columns=["effective", "averaged"]).reset_index()
    table = table.sort_values("run", key=lambda r: r.map(order), kind="stable", ignore_index=True)
    return replace(
        _averaged_to_prints(response, table, _confirming(data)),
        repeat_variance=repeat,
        repeat_df=repeat_df,
        repeats_per_specimen=_harmonic_mean(effective) if averaged else 1.0,
        notes=tuple(notes),
        u_correction=_correction_u(formulas, used, means),
    )


def _joined(flags: pd.Series, more: Mapping[tuple[str, str], str]) -> pd.Series:
    # Put the flags of curves and breaks behind those of the recipe.
    added = [more.get((str(run), str(piece)), "") for run, piece in flags.index]
    texts = ["; ".join(t for t in pair if t) for pair in zip(flags, added, strict=True)]
    return pd.Series(texts, index=flags.index, dtype="str")


def _correction_u(formulas: Sequence[Formula], used: pd.DataFrame, means: pd.DataFrame) -> float:
    # Propagate the doubt of the corrections through the first formula that was used, at the mean specimen.
    for formula in formulas:
        inputs = list(formula.inputs)
        if set(inputs) <= set(means.columns) and means[inputs].notna().all(axis=1).any():
            middle = means[inputs].mean().to_numpy()[None, :]
            return correction_u(used, inputs, formula.slopes(middle)[0])
    return 0.0


def _confirming(data: StudyData) -> set[str]:
    return set(data.runs.loc[data.runs["round"] == CONFIRMATION, "run"])


def _averaged_to_prints(response: Response, pieces: pd.DataFrame, confirming: set[str]) -> Measured:
    # Average specimens to prints and pool what specimens of a print scatter.
    by_run = pieces.groupby("run", sort=False)
    prints = pd.DataFrame(
        {
            "value": by_run["value"].mean(),
            "specimens": by_run.size(),
            "readings": by_run["readings"].sum(),
            "censored": by_run["censored"].any().astype(bool),
        }
    ).reset_index()
    whole = ~pieces["run"].isin({*confirming, *pieces.loc[pieces["censored"], "run"]})
    variance, df = _pooled(pieces[whole], ["run"])  # values at the limit hide their scatter
    counts = prints.loc[~prints["run"].isin(confirming), "specimens"]
    return Measured(
        response=response,
        specimens=pieces,
        prints=prints,
        specimen_variance=variance if df else None,
        specimen_df=df,
        specimens_per_print=_harmonic_mean(counts),
    )


def _input_tables(used: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    # Average the repeat readings: means and counts, one row a specimen, one column a quantity.
    def pivot(how: Literal["mean", "size"]) -> pd.DataFrame:
        return used.pivot_table("value", index=PIECE, columns="part", aggfunc=how, sort=False)

    return pivot("mean"), pivot("size")


def _reading_scatter(used: pd.DataFrame) -> Scatter:
    # Pool the scatter of repeat readings: same piece, same operator, same instrument (ISO 5725-1).
    keys = [*PIECE, "operator", "instrument"]
    scatter: Scatter = {}
    for part, rows in used.groupby("part", sort=False):
        variance, df = _pooled(rows, keys)
        if df:
            scatter[str(part)] = (variance, df)
    return scatter


def _pooled(rows: pd.DataFrame, keys: list[str]) -> tuple[float, int]:
    # Pool the variance of ``value`` within groups; degrees of freedom are rows less groups.
    groups = rows.groupby(keys, sort=False, dropna=False)["value"]
    df = len(rows) - groups.ngroups
    if df < 1:
        return np.nan, 0
    return float(((rows["value"] - groups.transform("mean")) ** 2).sum()) / df, df


def _specimens(
    formulas: Sequence[Formula], means: pd.DataFrame, counts: pd.DataFrame, scatter: Scatter
) -> tuple[pd.DataFrame, pd.DataFrame]:
    # Compute each specimen by the first formula that has all its readings; others stay missing.
    #
    # The second table holds what the scatter of each quantity's readings adds to the value's variance.
    pieces = pd.DataFrame(
        {"value": np.nan, "readings": 0, "effective": 1.0, "averaged": False}, index=means.index
    )
    parts = pd.DataFrame(np.nan, index=means.index, columns=means.columns)
    for formula in formulas:
        inputs = list(formula.inputs)
        if not set(inputs) <= set(means.columns):
            continue
        ready = pieces["value"].isna() & means[inputs].notna().all(axis=1)
        if not formula.averages:  # a section must have a size
            ready &= (means[inputs] > 0).all(axis=1)
        x, n = means.loc[ready, inputs].to_numpy(), counts.loc[ready, inputs].to_numpy()
        shares = formula.slopes(x) ** 2 / n
        single = np.array([scatter.get(name, (np.nan, 0))[0] for name in inputs])
        parts.loc[ready, inputs] = shares * single
        pieces.loc[ready, "value"] = formula.value(x)
        pieces.loc[ready, "readings"] = n.sum(axis=1)
        pieces.loc[ready, "averaged"] = formula.averages
        if formula.averages:  # an average of unequal counts scatters like so many readings
            pieces.loc[ready, "effective"] = 1 / shares.sum(axis=1)
        if len(inputs) > 1:
            pieces.loc[ready, inputs] = means.loc[ready, inputs]
    return pieces, parts


def _repeat_variance(
    pieces: pd.DataFrame, parts: pd.DataFrame, scatter: Scatter
) -> tuple[float | None, int]:
    # Give the variance of one reading; for a formula of several inputs, of one specimen's value.
    #
    # There the readings are of different kinds (N, mm), so what is given is their share in a
    # specimen's value as it was read, with Welch-Satterthwaite degrees of freedom.
    parts = parts.loc[:, parts.notna().any()]
    if parts.empty or not scatter:
        return None, 0
    kinds = [scatter[name] for name in parts.columns]
    if pieces["averaged"].all():
        total = sum(df for _, df in kinds)
        return sum(v * df for v, df in kinds) / total, total
    shares = parts.mean().to_numpy()
    df = satterthwaite_df(list(shares), [d for _, d in kinds])
    return float(shares.sum()), max(1, int(np.minimum(df, 10**6)))


def _harmonic_mean(counts: pd.Series) -> float:
    return float(len(counts) / (1 / counts).sum()) if len(counts) else 1.0
