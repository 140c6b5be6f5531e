"""What every check of a surface answers with."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

EVIDENT = 0.05
"""A check speaks up when chance alone would do as much in fewer cases than this (common practice)."""

STRIKING = 0.01
"""The same for the checks of how scatter looks: there are many of them, and they advise more than
they decide, so they must not cry wolf."""


@dataclass(frozen=True)
class Check:
    """The answer of one check.

    Attributes
    ----------
    name : str
        ``lack_of_fit``, ``drift`` ...
    passed : bool or None
        None when there is no verdict: not testable, or nothing to pass.
    table : DataFrame
        The numbers behind it.
    sentence : str
        What it means, in a maker's words.
    changes_answer : bool
        Whether what was found can change the settings or the chances that the study gives.
    """

    name: str
    passed: bool | None
    table: pd.DataFrame
    sentence: str
    changes_answer: bool = False


def verdict(name: str, passed: bool, table: pd.DataFrame, sentence: str) -> Check:
    """Build the check of something that, when it fails, can change the answer.

    Returns
    -------
    Check
    """
    return Check(name, bool(passed), table, sentence, changes_answer=not passed)


def no_verdict(name: str, sentence: str) -> Check:
    """Build a check that the runs do not allow.

    Returns
    -------
    Check
        With an empty table.
    """
    return Check(name, None, pd.DataFrame(), sentence)
