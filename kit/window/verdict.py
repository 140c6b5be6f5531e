"""What a confirmation hands to pages: the verdict, and what it rests on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from kit.window.result import Setting
from kit.words import CONFIRMATION as CONFIRMATION

MEETS, DOES_NOT_MEET, UNDECIDED = "meets", "does not meet", "undecided"


@dataclass(frozen=True)
class ConfirmedResponse:
    """What the confirming prints say of one response.

    Attributes
    ----------
    name : str
    prints : int
    values : tuple of float
        Means of the prints.
    foretold, low, high : float
        Prediction of the mean of these prints, and its interval (joint over the responses).
    mean, sd : float
        Of the print means; ``sd`` is NaN for one print.
    as_foretold : bool
        Whether the mean lies in the interval.
    towards_limit : bool
        Whether it misses the interval on a side where a limit lies.
    guard : float
        Guard band of one piece, in the response's unit.
    missed, doubtful : tuple of str
        Prints with a piece clearly outside a limit; with a piece too near to a limit to tell.
    chance_low, chance_high : float
        One-sided limits of the chance to meet this response's limits, from these prints alone, scatter
        taken as normal; NaN without limits or with a single print.
    verdict : str
        meets | does not meet | undecided.
    """

    name: str
    prints: int
    values: tuple[float, ...]
    foretold: float
    low: float
    high: float
    mean: float
    sd: float
    as_foretold: bool
    towards_limit: bool
    guard: float
    missed: tuple[str, ...]
    doubtful: tuple[str, ...]
    chance_low: float
    chance_high: float
    verdict: str


@dataclass(frozen=True)
class Confirmation:
    """The verdict of the confirming prints.

    Attributes
    ----------
    verdict : str
        meets | does not meet | undecided.
    settings : mapping of factor name to setting
        As planned for these prints.
    at_recommended : bool
        Whether they are the settings recommended now.
    runs : tuple of str
        The prints judged.
    met, missed, doubtful : int
        Prints all of whose pieces clearly meet; with a piece that clearly misses; the rest.
    most_missed : int
        Prints that may miss without speaking against the promise.
    failed : int
        Prints that did not come out.
    share_low, share_high : float
        One-sided 95 % limits of the share of prints that meet, from the count alone.
    promised, confidence : float
        Chance foretold at these settings; chance the study asks for.
    responses : mapping of response name to ConfirmedResponse
    reasons : tuple of str
        Why the verdict is what it is, in plain sentences.
    notes : tuple of str
        What else to know.
    not_passed : tuple of str
        Prints with a piece that failed a pass/fail requirement; they are among those that missed.
    """

    verdict: str
    settings: Mapping[str, Setting]
    at_recommended: bool
    runs: tuple[str, ...]
    met: int
    missed: int
    doubtful: int
    most_missed: int
    failed: int
    share_low: float
    share_high: float
    promised: float
    confidence: float
    responses: Mapping[str, ConfirmedResponse]
    reasons: tuple[str, ...]
    notes: tuple[str, ...] = ()
    not_passed: tuple[str, ...] = ()

    @property
    def prints(self) -> int:
        """How many prints were judged."""
        return len(self.runs)

    @property
    def withdraws(self) -> bool:
        """Whether the window is withdrawn."""
        return self.verdict == DOES_NOT_MEET and self.at_recommended
