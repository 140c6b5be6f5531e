"""What the search for a window hands to charts and reports."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from kit.terms import FloatArray

if TYPE_CHECKING:
    from kit.window.elsewhere import Elsewhere

Setting = float | str


@dataclass(frozen=True)
class Prediction:
    """Foretold response of one new part at some settings: mean, and limits that hold 95 % of new parts.

    Where the response is fitted on another scale than the one measured on, ``mean`` is the typical value, the median.
    """

    mean: float
    low: float
    high: float


@dataclass(frozen=True)
class Choice:
    """Some settings and what to expect there.

    Attributes
    ----------
    settings : mapping of factor name to setting
        Printable values, or level names.
    probability, low, high : float
        Chance that one new part meets every requirement, and its 95 % limits; NaN when no response has
        a limit (a compromise between targets only).
    predictions : mapping of response name to Prediction
    alone : mapping of response name to float
        Chance to meet the requirements of that response alone.
    binding : str or None
        The requirement whose removal raises the joint chance most.
    without : mapping of response name to float
        Best joint chance over the region if that response's requirement were dropped. `binding` is the
        one of these that is highest; None when none is higher than the best chance with all.
    desirability : float or None
        Where settings were chosen by desirability.
    how : str
        ``highest chance``, ``desirability`` or ``smallest largest shortfall``.
    """

    settings: Mapping[str, Setting]
    probability: float
    low: float
    high: float
    predictions: Mapping[str, Prediction]
    alone: Mapping[str, float]
    binding: str | None = None
    without: Mapping[str, float] | None = None
    desirability: float | None = None
    how: str = "highest chance"


@dataclass(frozen=True)
class Relaxation:
    """What giving way on one limit would buy: the limit needed for the stated confidence."""

    response: str
    side: str  # "lower" | "upper"
    limit: float  # the limit as written
    needed: (
        float | None
    )  # limit at which the best setting reaches the confidence; None = no limit helps alone
    probability_without: float  # best joint chance with this limit dropped


@dataclass(frozen=True)
class Window:
    """The window of settings that meet every requirement with the stated probability.

    Attributes
    ----------
    confidence : float
    recommended : Choice or None
        None when no setting in the tried region reaches the confidence.
    best_compromise : Choice or None
        Given when ``recommended`` is None.
    share : float
        Share of the tried region's printable settings that are inside the window.
    ranges : mapping of factor name to (low, high)
        A box wholly inside the window that holds the recommended settings; a category gives its one level twice. {} = none.
    grid : DataFrame
        One row a printable setting of the tried region: factor columns, ``probability``, one ``chance_<response>`` and ``mean_<response>`` a
        response. Chances are NaN for a response without limits (``probability`` where none has any).
    steps : mapping of factor name to sorted printable values (or levels)
        The axes of the grid.
    joint : bool
        Whether the measured responses were treated as correlated, by common terms and runs or by the prints that they share;
        otherwise the product of chances. What a part passes or fails is multiplied in either case.
    relaxations : tuple of Relaxation
        Filled when nothing reaches the confidence.
    notes : tuple of str
        Plain sentences that belong to the answer.
    elsewhere : Elsewhere or None
        Where the study asks for other printers: what settings do there. Then ``probability``, here and in ``grid``, is the
        average over other printers, and the grid's column ``home`` the chance on this one.
    correlation : array, shape (q, q), or None
        Correlation of the residuals of the q responses that have limits, in the order of their
        surfaces, where they were treated as correlated.
    """

    confidence: float
    recommended: Choice | None
    best_compromise: Choice | None
    share: float
    ranges: Mapping[str, tuple[Setting, Setting]]
    grid: pd.DataFrame
    steps: Mapping[str, tuple[Setting, ...]]
    joint: bool
    relaxations: tuple[Relaxation, ...] = ()
    notes: tuple[str, ...] = ()
    correlation: FloatArray | None = None
    elsewhere: Elsewhere | None = None

    @property
    def choice(self) -> Choice | None:
        """What the answer speaks of: the recommended settings, else the best compromise."""
        return self.recommended or self.best_compromise
