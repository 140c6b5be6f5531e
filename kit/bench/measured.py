"""What the bench hands to the model: one value a print and response, with its variances."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from kit.study.description import Response


@dataclass(frozen=True)
class Measured:
    """All results of one response. The print is the experimental unit.

    Attributes
    ----------
    response : Response
        What was measured and what is required of it.
    specimens : DataFrame
        One row a specimen: ``run``, ``specimen``, ``value`` (mean of its repeat readings, in the response's
        unit), ``readings`` (how many), ``u_repeat`` (standard uncertainty of that mean from the repeat readings' pooled
        scatter; missing where there are no repeats), ``flags`` (text), ``censored`` (whether a reading reached the limit
        of the instrument, so that the true value is at least ``value``; may be missing where nothing can).
    prints : DataFrame
        One row a run with at least one used specimen: ``run``, ``value`` (mean over specimens),
        ``specimens`` (how many), ``readings`` (in all), ``censored`` (whether one of its specimens is; likewise).
    specimen_variance, specimen_df : float or None, int
        Pooled variance of specimen values within a print (it contains the reading scatter that is left
        after averaging repeats), and its degrees of freedom; None and 0 where no print has two specimens.
    repeat_variance, repeat_df : float or None, int
        Pooled variance of single readings within a specimen; None and 0 without repeats.
    specimens_per_print, repeats_per_specimen : float
        Harmonic means over prints and over specimens.
    u_correction : float
        Standard uncertainty that corrections of known instrument bias leave in every result alike; it does not average
        out. 0 where nothing was corrected.
    notes : tuple of str
        Plain sentences: readings excluded and why, specimens flagged.
    """

    response: Response
    specimens: pd.DataFrame
    prints: pd.DataFrame
    specimen_variance: float | None = None
    specimen_df: int = 0
    repeat_variance: float | None = None
    repeat_df: int = 0
    specimens_per_print: float = 1.0
    repeats_per_specimen: float = 1.0
    notes: tuple[str, ...] = ()
    u_correction: float = 0.0


def censored_runs(measured: Measured) -> tuple[str, ...]:
    """Name the prints whose true value is at least what was read."""
    prints = measured.prints
    if "censored" not in prints:
        return ()
    return tuple(str(run) for run in prints.loc[prints["censored"].astype(bool), "run"])
