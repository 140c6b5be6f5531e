"""An uncertainty budget: standard uncertainties by source, combined and expanded.

After JCGM 100:2008, Guide to the expression of uncertainty in measurement (GUM), 5.1.2, 6.2 and annex G.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, inf, sqrt

from scipy import stats

from kit.bench.uncertainty import satterthwaite_df

LARGE_DF = 10_000
"""From here on Student's t is the normal distribution for all purposes."""


@dataclass(frozen=True)
class Source:
    """One source of uncertainty.

    Attributes
    ----------
    name : str
        In the maker's words.
    u : float
        Standard uncertainty it gives the result, in the result's unit (>= 0), its sensitivity included.
    df : float
        Degrees of freedom; ``inf`` for what is known beforehand (GUM type B).
    """

    name: str
    u: float
    df: float = inf


@dataclass(frozen=True)
class Budget:
    """Sources of uncertainty and what they come to.

    Attributes
    ----------
    sources : tuple of Source
    confidence : float
        Of the expanded uncertainty.
    """

    sources: tuple[Source, ...]
    confidence: float = 0.95

    @property
    def u(self) -> float:
        """Combined standard uncertainty of independent sources (GUM equation 10)."""
        return sqrt(sum(s.u**2 for s in self.sources))

    @property
    def df(self) -> float:
        """Effective degrees of freedom, by Welch and Satterthwaite (GUM G.4.1); ``inf`` when all are known."""
        return float(satterthwaite_df([s.u**2 for s in self.sources], [s.df for s in self.sources]))

    @property
    def coverage_factor(self) -> float:
        """Student's t at the degrees of freedom cut to a whole number (GUM G.4.1, note 1)."""
        p = (1 + self.confidence) / 2
        df = self.df
        return float(stats.norm.ppf(p) if df > LARGE_DF else stats.t.ppf(p, max(1, floor(df))))

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U = k u."""
        return self.coverage_factor * self.u


def rectangle(half_width: float) -> float:
    """Give the standard uncertainty of something anywhere within plus or minus a limit (GUM 4.3.7)."""
    return half_width / sqrt(3)


def rounding(step: float) -> float:
    """Give the standard uncertainty of a display with this smallest step, a / sqrt(12) (GUM F.2.2.1)."""
    return step / sqrt(12)


def budget(sources: Sequence[Source], *, confidence: float = 0.95) -> Budget:
    """Combine sources of uncertainty; those of size 0 are left out.

    Parameters
    ----------
    sources : sequence of Source
        Independent of one another.
    confidence : float, default 0.95
        Of the expanded uncertainty.

    Returns
    -------
    Budget

    Examples
    --------
    >>> found = budget([Source("repeat readings", 3.0, 4), Source("block", 4.0)])
    >>> found.u, round(found.df, 1)
    (5.0, 30.9)
    """
    return Budget(tuple(s for s in sources if s.u > 0), confidence)
