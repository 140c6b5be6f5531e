"""What a fit says in tables: one row a coefficient, one row a factor, one row in all."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from scipy import stats

from kit.model.small_sample import future_variance
from kit.model.surface import Surface
from kit.study.description import Study
from kit.terms import CodedFactor, FloatArray

INTERVAL = 0.95

EFFECT_COLUMNS = ["factor", "unit", "from", "to", "estimate", "std_error", "df", "low", "high"]


def effects_table(surface: Surface) -> pd.DataFrame:
    """Give every coefficient with its interval.

    Parameters
    ----------
    surface : Surface
        As fitted.

    Returns
    -------
    DataFrame
        One row a term, block columns last: ``term``, ``estimate``, ``std_error``, ``df``, ``low``, ``high``
        (95 %, two-sided, each by itself), ``p`` (two-sided, that it is 0; missing without scatter). In
        coded units and the response's unit.
    """
    std_error = np.sqrt(np.diag(surface.covariance))
    half = stats.t.ppf((1 + INTERVAL) / 2, surface.term_df) * std_error
    ratio = np.divide(
        surface.coefficients, std_error, out=np.full_like(std_error, np.nan), where=std_error > 0
    )
    return pd.DataFrame(
        {
            "term": surface.names,
            "estimate": surface.coefficients,
            "std_error": std_error,
            "df": surface.term_df,
            "low": surface.coefficients - half,
            "high": surface.coefficients + half,
            "p": 2 * stats.t.sf(np.abs(ratio), surface.term_df),
        }
    )


def step_effects(surface: Surface, study: Study) -> pd.DataFrame:
    """Say what turning each setting does, the others held at their middle.

    Parameters
    ----------
    surface : Surface
        As fitted.
    study : Study
        For units and steps.

    Returns
    -------
    DataFrame
        One row a factor on a scale, one a further level of a category: ``factor``, ``unit``, ``from``,
        ``to`` (low to high, or first level to level), then the change of the response over that way:
        ``estimate``, ``std_error``, ``df``, ``low``, ``high`` (95 %, each by itself); ``step`` and, in the
        middle of the range, the change over one step: ``step_estimate``, ``step_low``, ``step_high``
        (missing where no step is stated). Other categories count with all levels alike.
    """
    rows = []
    for factor in surface.coding.factors:
        stated = study.factor_named(factor.name)
        ends = factor.levels if factor.is_category else (factor.low, factor.high)
        codes = range(len(ends)) if factor.is_category else (-1.0, 1.0)
        first = _at(surface, factor, 0.0 if factor.is_category else -1.0)
        for end, code in list(zip(ends, codes, strict=True))[1:]:
            way = _at(surface, factor, float(code)) - first
            unit = "" if factor.is_category else stated.unit
            row = dict(
                zip(
                    EFFECT_COLUMNS,
                    (factor.name, unit, ends[0], end, *_contrast(surface, way)),
                    strict=True,
                )
            )
            rows.append(
                {**row, **_step(surface, factor, None if factor.is_category else stated.step)}
            )
    return pd.DataFrame(rows)


@dataclass(frozen=True)
class LevelMeans:
    """Means at the levels of a category, the scales in the middle, other categories averaged over levels.

    Attributes
    ----------
    table : DataFrame
        One row a level: ``level``, ``estimate``, ``std_error``, ``df``, ``low``, ``high`` (95 %, each by itself).
    rows : array, shape (n_levels, p)
        The combinations of coefficients, for differences.
    """

    table: pd.DataFrame
    rows: FloatArray


def level_means(surface: Surface, factor: str) -> LevelMeans:
    """Estimate the mean at each level of a category.

    Parameters
    ----------
    surface : Surface
        As fitted.
    factor : str
        A category.

    Returns
    -------
    LevelMeans

    Raises
    ------
    ValueError
        If the factor has no levels.
    """
    coded = surface.coding[factor]
    if not coded.is_category:
        raise ValueError(f"{factor} is on a scale; level means are for categories.")
    rows = np.array([_at(surface, coded, float(i)) for i in range(len(coded.levels))])
    numbers = [_contrast(surface, row) for row in rows]
    table = pd.DataFrame(numbers, columns=["estimate", "std_error", "df", "low", "high"])
    table.insert(0, "level", coded.levels)
    return LevelMeans(table, rows)


def _step(surface: Surface, factor: CodedFactor, step: float | None) -> dict[str, float]:
    # Give the change over one step about the middle of the range.
    if step is None:
        return dict.fromkeys(("step", "step_estimate", "step_low", "step_high"), np.nan)
    half = step / factor.half_range / 2
    way = _at(surface, factor, half) - _at(surface, factor, -half)
    estimate, _, _, low, high = _contrast(surface, way)
    return {"step": step, "step_estimate": estimate, "step_low": low, "step_high": high}


def _at(surface: Surface, factor: CodedFactor, code: float) -> FloatArray:
    # Give the model row with one factor set, scales at 0 and other categories averaged over levels.
    choices = [
        (code,)
        if other is factor
        else tuple(range(len(other.levels)))
        if other.is_category
        else (0.0,)
        for other in surface.coding.factors
    ]
    return np.asarray(surface.rows(np.array(list(product(*choices)), dtype=float)).mean(axis=0))


def _contrast(surface: Surface, row: FloatArray) -> tuple[float, float, float, float, float]:
    # Give estimate, standard error, df and limits of a combination of coefficients.
    estimate = float(row @ surface.coefficients)
    std_error = float(np.sqrt(row @ surface.covariance @ row))
    df = float(surface.row_df(row[None, :])[0])
    half = float(stats.t.ppf((1 + INTERVAL) / 2, df)) * std_error
    return estimate, std_error, df, estimate - half, estimate + half


def fit_summary(surface: Surface) -> pd.DataFrame:
    """Give one row on the fit as a whole.

    Returns
    -------
    DataFrame
        ``response``, ``unit``, ``runs``, ``coefficients``, ``df``, ``residual_sd`` (of print means), ``print_miss``
        (how far a new print typically lies from its prediction: root mean square over the runs'
        settings), ``left_out_miss`` (how far the runs lay from what the others foretold), ``r2``,
        ``r2_predicted``.
    """
    left_out = surface.observations["value"] - surface.observations["left_out"]
    return pd.DataFrame(
        {
            "response": [surface.response.name],
            "unit": [surface.response.unit],
            "runs": [len(surface.observations)],
            "coefficients": [len(surface.coefficients)],
            "df": [surface.residual_df],
            "residual_sd": [np.sqrt(surface.residual_variance)],
            "print_miss": [_print_miss(surface)],
            "left_out_miss": [np.sqrt((left_out**2).mean())],
            "r2": [surface.r2],
            "r2_predicted": [surface.r2_predicted],
        }
    )


def _print_miss(surface: Surface) -> float:
    # Give how far a new print, in new groups where they are random, lies from its prediction.
    if surface.mixed is not None:
        future = future_variance(surface.mixed.small, surface.design)
        return float(np.sqrt(future.variance.mean()))
    leverage = surface.observations["leverage"].to_numpy(dtype=float)
    if surface.spread is not None and surface.weights is not None:
        own = surface.residual_variance / surface.weights
        return float(np.sqrt(np.mean(own * (1 + leverage))))
    return float(np.sqrt(surface.residual_variance * (1 + leverage.mean())))
