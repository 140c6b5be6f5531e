"""Fit a surface when prints share a plate, a day, a spool or one setting of what is hard to change.

Such prints share luck, so they are no independent witnesses. The scatter between groups is estimated by
restricted maximum likelihood, and effects are judged by Kenward and Roger's small-sample method.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kit.errors import ModelError
from kit.model.component_intervals import component_intervals
from kit.model.kenward_roger import FTest, f_test, kenward_roger
from kit.model.least_squares import ALONE, matrix_rank
from kit.model.reduction import FloatArray, IntArray, indicator, reduce_data
from kit.model.reml import Reml, fit_reml
from kit.model.small_sample import SmallSample, contrast_df, contrasts
from kit.saying import counted, listed

BLOCK = "block"


@dataclass(frozen=True)
class RandomPart:
    """What a mixed surface knows beyond its coefficients.

    Attributes
    ----------
    names : tuple of str
        The k groupings: ``block``, then columns of the runs table such as ``spool``.
    sizes : tuple of int
        How many groups of each were printed.
    groups : array of int, shape (k, n)
        Group number of each used run.
    components, low, high : array, shape (k + 1,)
        Variances of the groupings and of prints within them, with 95 % limits.
    small : SmallSample
        Coefficients, their covariance and how it hangs on the variances.
    V, P : array, shape (n, n)
        Estimated covariance of the print means, and its inverse with the fixed part taken out.
    """

    names: tuple[str, ...]
    sizes: tuple[int, ...]
    groups: IntArray
    components: FloatArray
    low: FloatArray
    high: FloatArray
    small: SmallSample
    V: FloatArray
    P: FloatArray


@dataclass(frozen=True)
class MixedFit:
    """A mixed model's numbers, run by run, in the shape that a least-squares fit has.

    Attributes
    ----------
    part : RandomPart
    coefficients, covariance : array, shapes (p,), (p, p)
        Covariance adjusted as Kenward and Roger do.
    term_df : array, shape (p,)
    variance, df : float, int
        Variance of prints within groups, and the prints left to judge it by.
    fitted, residuals, leverage, left_out, studentised : array, shape (n,)
        Given the groups each print belongs to: ``left_out`` foretells a print from all others, those
        of its own groups included.
    r2, r2_predicted : float
    """

    part: RandomPart
    coefficients: FloatArray
    covariance: FloatArray
    term_df: FloatArray
    variance: float
    df: int
    fitted: FloatArray
    residuals: FloatArray
    leverage: FloatArray
    left_out: FloatArray
    studentised: FloatArray
    r2: float
    r2_predicted: float


def random_groups(used: pd.DataFrame, names: Sequence[str]) -> dict[str, IntArray]:
    """Give numbers to the groups of each grouping that puts some prints together.

    Parameters
    ----------
    used : DataFrame
        The runs used, a column for each name.
    names : sequence of str
        ``block`` and others.

    Returns
    -------
    dict of name to array of int, shape (n,)
        Groupings in which every print stands alone say nothing beyond the print and are left out; so
        are those with one group only.

    Examples
    --------
    >>> list(
    ...     random_groups(
    ...         pd.DataFrame({"block": [1, 1, 2], "day": ["a", "b", "c"]}), ["block", "day"]
    ...     )
    ... )
    ['block']
    """
    found = {}
    for name in names:
        _, numbers = np.unique(used[name].to_numpy(), return_inverse=True)
        count = int(numbers.max()) + 1 if len(numbers) else 0
        if 1 < count < len(used):
            found[name] = np.asarray(numbers, dtype=np.int64).ravel()
    return found


def fit_mixed(design: FloatArray, y: FloatArray, groups: Mapping[str, IntArray]) -> MixedFit:
    """Fit print means with random groups.

    Parameters
    ----------
    design : array, shape (n, p)
        Model matrix, columns independent.
    y : array, shape (n,)
        Print means.
    groups : mapping of name to array of int, shape (n,)
        From `random_groups`.

    Returns
    -------
    MixedFit

    Raises
    ------
    ModelError
        If the scatter between groups, or within them, cannot be judged by these runs.

    Notes
    -----
    The residual of a print is what is left when its groups' share is taken out, s2 P y with
    P = V^-1 - V^-1 X (X' V^-1 X)^-1 X' V^-1; leaving a print out at the estimated variances misses it by
    (P y)_i / P_ii (Haslett and Haslett, Int. Stat. Rev. 75, 2007, 1-24).
    """
    _refuse_unjudged(design, groups)
    mean = float(y.mean())
    try:
        fit = fit_reml(y - mean, design, list(groups.values()))
    except ValueError as error:
        raise ModelError(_plain_refusal(error, groups)) from error
    small = kenward_roger(fit)
    variance, n = float(fit.components[-1]), len(y)
    P = _projection(fit)
    Py = P @ (y - mean)
    leverage = 1 - variance * np.diag(P)
    rest = np.where(1 - leverage > ALONE, np.diag(P), np.nan)
    missed = Py / rest
    coefficients = fit.coefficients.copy()
    coefficients[0] += mean
    marginal = y - mean - design @ fit.coefficients
    total = float(np.sum((y - mean) ** 2))
    limits = component_intervals(fit)
    part = RandomPart(
        names=tuple(groups),
        sizes=tuple(int(g.max()) + 1 for g in groups.values()),
        groups=fit.groups,
        components=fit.components,
        low=limits.low,
        high=limits.high,
        small=replace(small, coefficients=coefficients),
        V=fit.V,
        P=P,
    )
    return MixedFit(
        part=part,
        coefficients=coefficients,
        covariance=small.adjusted,
        term_df=contrast_df(small, np.eye(len(coefficients))),
        variance=variance,
        df=reduce_data(y - mean, design, fit.groups).residual_df,
        fitted=y - variance * Py,
        residuals=variance * Py,
        leverage=leverage,
        left_out=y - missed,
        studentised=_studentised(y - mean, P, n - design.shape[1]),
        r2=1 - float(marginal @ marginal) / total,
        r2_predicted=1 - float(np.sum(missed**2)) / total,
    )


def extra_columns_test(
    design: FloatArray, extra: FloatArray, y: FloatArray, groups: IntArray
) -> tuple[FTest, SmallSample] | None:
    """Test what further columns would add to a mixed model.

    Parameters
    ----------
    design : array, shape (n, p)
        Model matrix.
    extra : array, shape (n, m)
        Columns to try; those that the model or each other explain are left out.
    y : array, shape (n,)
        Print means.
    groups : array of int, shape (k, n)
        Random groups.

    Returns
    -------
    test, model : FTest, SmallSample
        Kenward and Roger's F test of all the columns together, and the wider model; the added
        coefficients come last. None where nothing is added, or the wider model leaves the scatter unjudged.
    """
    added = _independent_columns(design, extra)
    if added.shape[1] == 0:
        return None
    wide, p = np.column_stack([design, added]), design.shape[1]
    try:
        model = kenward_roger(fit_reml(y - y.mean(), wide, list(groups)))
    except ValueError:
        return None
    return f_test(model, np.eye(wide.shape[1])[p:]), model


def added_column(
    design: FloatArray, column: FloatArray, y: FloatArray, groups: IntArray
) -> tuple[float, float, float] | None:
    """Estimate the coefficient of one further column in a mixed model.

    Parameters
    ----------
    design : array, shape (n, p)
        Model matrix.
    column : array, shape (n,)
        The column.
    y : array, shape (n,)
        Print means.
    groups : array of int, shape (k, n)
        Random groups.

    Returns
    -------
    estimate, std_error, df : float
        After Kenward and Roger; None where the model explains the column, or its scatter is left unjudged.
    """
    wide = np.column_stack([design, column])
    if matrix_rank(wide) < wide.shape[1]:
        return None
    try:
        found = contrasts(
            kenward_roger(fit_reml(y - y.mean(), wide, list(groups))), np.eye(wide.shape[1])[-1:]
        )
    except ValueError:
        return None
    return float(found.estimate[0]), float(found.std_error[0]), float(found.df[0])


def _independent_columns(design: FloatArray, extra: FloatArray) -> FloatArray:
    # Give an orthonormal basis of what the further columns hold beyond the design.
    basis = np.linalg.qr(design)[0]
    rest = extra - basis @ (basis.T @ extra)
    rest -= basis @ (basis.T @ rest)
    length = np.maximum(np.linalg.norm(extra, axis=0), 1.0)
    U, sizes, _ = np.linalg.svd(rest / length, full_matrices=False)
    return np.asarray(U[:, sizes > 1e-7])


def _projection(fit: Reml) -> FloatArray:
    inverse = np.linalg.inv(fit.V)
    G = inverse @ fit.X
    P = inverse - G @ fit.covariance @ G.T
    return np.asarray((P + P.T) / 2)


def _studentised(y: FloatArray, P: FloatArray, df: int) -> FloatArray:
    # Externally studentised at the estimated ratios of variances: Student's t with df - 1.
    Py = P @ y
    if df < 2:
        return np.full(len(y), np.nan)
    scale = max(float(y @ Py) / df, 1e-300)
    with np.errstate(divide="ignore", invalid="ignore"):
        inner = Py / np.sqrt(np.diag(P) * scale)
        rest = np.maximum(df - inner**2, 0.0)
        t = inner * np.sqrt((df - 1) / rest)
    return np.where(np.diag(P) * scale > 0, t, np.nan)


def _refuse_unjudged(design: FloatArray, groups: Mapping[str, IntArray]) -> None:
    n, p = design.shape
    for name, numbers in groups.items():
        inside = np.column_stack([design, indicator(numbers)])
        rank = matrix_rank(inside)
        count = int(numbers.max()) + 1
        if rank == p:
            raise ModelError(
                f"{counted(count, spoken(name))} and {counted(p, 'term')}: every {spoken(name)} has a setting of its "
                f"own, so what two {spoken(name)}s of one setting would differ by cannot be judged, and neither can the effects that "
                f"change from {spoken(name)} to {spoken(name)}. Print one or two of these settings again as a new {spoken(name)}, or "
                "take terms out under [model]."
            )
        if rank == n:
            raise ModelError(
                f"{counted(n, 'run')}, {counted(p, 'term')} and {counted(count, spoken(name))}: no spare run is left inside the "
                f"{spoken(name)}s to judge the scatter by. Add runs, or take terms out under [model]."
            )


def spoken(name: str) -> str:
    """Give a column's name as words."""
    return name.replace("_", " ")


def _plain_refusal(error: ValueError, groups: Mapping[str, IntArray]) -> str:
    text = str(error)
    names = listed([spoken(g) for g in groups])
    if "told apart" in text:
        return (
            f"the scatters between {names} cannot be told apart, since these runs change them together. Take one "
            "of them out of random (or blocks) under [model], or print runs that mix them."
        )
    if "degrees of freedom" in text:
        return (
            f"the settings and {names} together leave no spare run to judge the scatter by. Add runs, or take terms out "
            "under [model]."
        )
    if "agree exactly" in text:
        return (
            "all prints of a group gave the same value, so the scatter between prints cannot be judged. Read with a finer "
            "instrument, or leave this response out."
        )
    return f"a mixed model with {names} cannot be fitted: {text}"
