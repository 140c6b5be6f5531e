"""The settings that several studies tried: where a pooled answer is looked for."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np

from kit.errors import ModelError
from kit.model.pool import MIN_PRINTERS
from kit.model.tried import TriedRegion
from kit.pool_frame import StudySummary
from kit.study.description import Factor, Study
from kit.terms import FloatArray
from kit.window.choice import BoolArray
from kit.window.result import Setting
from kit.window.settable import PrintableGrid, printable_values

LARGEST = 40_000
"""Settings looked at."""


def shared_settings(summaries: Sequence[StudySummary], frame: Study) -> PrintableGrid:
    """Lay out printable settings inside what at least three studies tried.

    Parameters
    ----------
    summaries : sequence of StudySummary
        Settings tried, in the frame's coding.
    frame : Study
        The shared frame.

    Returns
    -------
    PrintableGrid

    Raises
    ------
    ModelError
        If there is no such setting.
    """
    coding = frame.coding
    axes = tuple(_axis(f, i, summaries, frame) for i, f in enumerate(frame.factors))
    kept = [np.arange(len(a)) for a in axes]
    while np.prod([len(k) for k in kept]) > LARGEST:
        longest = max(range(len(kept)), key=lambda i: len(kept[i]))
        kept[longest] = np.unique(
            np.linspace(0, len(axes[longest]) - 1, len(kept[longest]) - 1).round().astype(int)
        )
    index = np.array(list(product(*kept)), dtype=np.intp).reshape(-1, len(axes))
    regions = [TriedRegion(coding, s.tried) for s in summaries]

    def allowed(coded: FloatArray) -> BoolArray:
        return np.asarray(np.sum([r.contains(coded) for r in regions], axis=0) >= MIN_PRINTERS)

    grid = PrintableGrid(coding, axes, tuple(kept), index, allowed)
    grid = PrintableGrid(coding, axes, tuple(kept), index[allowed(grid.coded)], allowed)
    if not len(grid.index):
        raise ModelError(
            f"no printable setting lies within what {MIN_PRINTERS} studies tried; their ranges hardly meet."
        )
    return grid


def _axis(
    factor: Factor, column: int, summaries: Sequence[StudySummary], frame: Study
) -> tuple[Setting, ...]:
    tried = np.concatenate([s.tried[:, column] for s in summaries])
    if factor.is_category:
        return tuple(factor.levels[i] for i in np.unique(tried.astype(int)))
    low, high = np.asarray(factor.coded.decode(np.array([tried.min(), tried.max()])), dtype=float)
    return printable_values(factor, frame, float(low), float(high))
