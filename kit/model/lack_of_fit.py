"""Lack of fit: whether the surface misses its settings' averages by more than repeats scatter."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy import stats

from kit.model.least_squares import residual_ss
from kit.model.mixed import RandomPart, extra_columns_test
from kit.model.surface import LackOfFit
from kit.terms import FloatArray

NOTHING = 1e-18
"""A share of the total sum of squares that is only rounding."""


def lack_of_fit(
    design: FloatArray,
    blocks: FloatArray,
    cells: Sequence[int] | npt.NDArray[np.int64],
    y: FloatArray,
    weights: FloatArray | None = None,
) -> LackOfFit | None:
    """Test the model against cells of equal planned settings.

    Parameters
    ----------
    design : array, shape (n, p)
        Model matrix with the block columns.
    blocks : array, shape (n, n_blocks - 1)
        The block columns alone; no columns without blocks.
    cells : sequence of int, shape (n,)
        Number of the planned setting of each run.
    y : array, shape (n,)
        Print means.
    weights : array, shape (n,), optional
        What each print weighs, where scatter is modelled by setting; mean squares are then those of a print
        that weighs 1.

    Returns
    -------
    LackOfFit or None
        None when the runs leave no degrees of freedom for it, or when repeats agree to the last
        digit so that they show no scatter to compare with.

    Notes
    -----
    SS = SSE(model + blocks) - SSE(cells + blocks); the pure error is what is left beside cells and
    blocks; degrees of freedom by rank (Draper & Smith, Applied Regression Analysis, 3rd ed., 2.1;
    with blocks: Box & Draper, Response Surfaces, Mixtures, and Ridge Analyses, ch. 15).
    """
    cell_columns = np.asarray(cells)[:, None] == np.unique(cells)
    full = np.column_stack([cell_columns.astype(float), blocks])
    if weights is not None:
        root = np.sqrt(weights)
        design, full, y = design * root[:, None], full * root[:, None], y * root
    model_ss, model_rank = residual_ss(design, y)
    pure_ss, cell_rank = residual_ss(full, y)
    df = (cell_rank - model_rank, len(y) - cell_rank)
    total = float(np.sum((y - y.mean()) ** 2))
    if min(df) < 1 or pure_ss <= NOTHING * total:
        return None
    lack_ss = max(
        0.0, model_ss - pure_ss
    )  # settings that strayed from the plan can turn it below 0
    F = (lack_ss / df[0]) / (pure_ss / df[1])
    return LackOfFit(
        F=F,
        df=(float(df[0]), float(df[1])),
        p=float(stats.f.sf(F, *df)),
        lack_ms=lack_ss / df[0],
        pure_ms=pure_ss / df[1],
    )


def mixed_lack_of_fit(
    design: FloatArray,
    cells: Sequence[int] | npt.NDArray[np.int64],
    y: FloatArray,
    part: RandomPart,
) -> LackOfFit | None:
    """Test a mixed model against cells of equal planned settings, by Kenward and Roger's F.

    Parameters
    ----------
    design : array, shape (n, p)
        Model matrix.
    cells : sequence of int, shape (n,)
        Number of the planned setting of each run.
    y : array, shape (n,)
        Print means.
    part : RandomPart
        The random groups.

    Returns
    -------
    LackOfFit or None
        Without mean squares, since the test is no ratio of two. None when the cells add nothing to the
        model, or leave the scatter within or between groups unjudged.
    """
    columns = (np.asarray(cells)[:, None] == np.unique(cells)).astype(float)
    found = extra_columns_test(design, columns, y, part.groups)
    if found is None:
        return None
    test = found[0]
    return LackOfFit(F=test.F, df=(float(test.num_df), test.den_df), p=test.p)
