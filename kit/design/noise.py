"""How much prints made alike scatter, how sure that is, and where effort buys most.

References
----------
Limits of a standard deviation by chi-square: NIST/SEMATECH e-Handbook 7.2.3.1. Number of subsamples by the
ratio of costs: Cochran, Sampling Techniques, 3rd ed. 1977, section 10.6 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, sqrt

import numpy as np
from scipy.stats import chi2

from kit.terms import FloatArray


@dataclass(frozen=True)
class Noise:
    """Scatter between prints made alike.

    Attributes
    ----------
    sd : float
        In the unit of the response.
    df : float
        Degrees of freedom it rests on; infinite where it was stated.
    source : str
        Where it comes from, in words.
    """

    sd: float
    df: float
    source: str

    @property
    def high(self) -> float:
        """Upper 95 % limit of the SD (one-sided)."""
        return self.sd * upper_factor(self.df)


def upper_factor(df: float, confidence: float = 0.95) -> float:
    """Give how many times an estimated SD the true one may be: its one-sided upper limit.

    Parameters
    ----------
    df : float
        Degrees of freedom of the estimate, > 0.
    confidence : float, default 0.95
        One-sided.

    Returns
    -------
    float
        sqrt(df / chi2), 1 where the SD is known.

    Examples
    --------
    Three centre points:

    >>> round(upper_factor(2), 2)
    4.42
    """
    return 1.0 if df == inf else float(np.sqrt(df / chi2.ppf(1 - confidence, df)))


def pooled_noise(values: FloatArray, cells: Sequence[object], source: str) -> Noise | None:
    """Pool the scatter of prints made at the same settings.

    Parameters
    ----------
    values : array, shape (n,)
        One result a print.
    cells : sequence, shape (n,)
        Same label, same settings.
    source : str
        Where the prints come from.

    Returns
    -------
    Noise or None
        None where no settings were printed twice, or all prints agree.
    """
    labels = np.unique(np.array([str(c) for c in cells]), return_inverse=True)[1]
    y = np.asarray(values, dtype=float)
    count = np.bincount(labels)
    mean = np.bincount(labels, y) / count
    df = len(y) - len(count)
    total = float(((y - mean[labels]) ** 2).sum())
    return Noise(sqrt(total / df), df, source) if df > 0 and total > 0 else None


def sd_of_a_print(
    print_sd: float, specimen_sd: float, specimens: int, reading_sd: float = 0.0, repeats: int = 1
) -> float:
    """Give the scatter of a print's result: between prints, between its specimens, between repeat readings.

    Returns
    -------
    float
        sqrt(s_print^2 + s_specimen^2 / m + s_reading^2 / (m r)).

    Examples
    --------
    >>> sd_of_a_print(3.0, 4.0, 1), round(sd_of_a_print(3.0, 4.0, 16), 3)
    (5.0, 3.162)
    """
    within = specimen_sd**2 / specimens + reading_sd**2 / (specimens * repeats)
    return sqrt(print_sd**2 + within)


def best_specimens(print_sd: float, specimen_sd: float, cost_ratio: float, most: int = 50) -> int:
    """Give the number of specimens a print at which a budget tells most.

    Parameters
    ----------
    print_sd, specimen_sd : float
        Scatter between prints and between specimens of a print, one unit.
    cost_ratio : float
        What one more print costs over what one more specimen in a print costs (time or grams), > 0.
    most : int, default 50
        As many as fit on a plate.

    Returns
    -------
    int
        The whole number with the least (s_print^2 + s_specimen^2 / m) (ratio + m).

    Examples
    --------
    Prints cost nine times a specimen, and both scatter alike:

    >>> best_specimens(1.0, 1.0, 9.0)
    3
    """
    if print_sd <= 0:
        return most
    m = np.arange(1, most + 1)
    return int(m[np.argmin((print_sd**2 + specimen_sd**2 / m) * (cost_ratio + m))])
