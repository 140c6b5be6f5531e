"""The prints by which a surface can be judged one by one, all on one scale of scatter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from kit.model.surface import Surface


def is_censored(surface: Surface) -> pd.Series:
    """Tell which prints of a surface reached the limit of the instrument, rows as in the observations.

    Returns
    -------
    Series of bool
    """
    table = surface.observations
    if "censored" not in table:
        return pd.Series(False, index=table.index)
    return table["censored"].astype(bool)


def with_known_misses(surface: Surface) -> Surface:
    """Give the surface with only those prints whose miss is known.

    What a print at the limit of the instrument misses by is not known, so checks of single prints, of
    their order and of their scatter leave it out.

    Parameters
    ----------
    surface : Surface
        As fitted.

    Returns
    -------
    Surface
        The same one where every print was read below the limit.
    """
    known = ~is_censored(surface).to_numpy()
    if known.all():
        return surface
    assert surface.weights is not None
    return replace(
        surface,
        observations=surface.observations[known].reset_index(drop=True),
        design=surface.design[known],
        weights=surface.weights[known],
    )


def even_scale(surface: Surface) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Give what each print's miss is multiplied by to bring all to one scatter, shape (n,).

    Returns
    -------
    array, shape (n,)
        1 but where scatter is modelled by setting.
    """
    if surface.weights is None or "censored" in surface.observations:
        return np.ones(len(surface.observations))
    return np.sqrt(surface.weights)
