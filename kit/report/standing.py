"""Where a finding stands, in one word and one sentence: the banner of its page and its line in the index."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

Word = Literal[
    "withdrawn",
    "confirmation failed",
    "interim",
    "no settings found",
    "no settings recommended",
    "confirmed",
    "confirmation undecided",
    "not yet confirmed",
]


@dataclass(frozen=True)
class Standing:
    """Where a finding stands; ``usable`` says whether anybody should set a printer by it."""

    word: Word
    sentence: str
    usable: bool


def standing_of(results: Mapping[str, Any], *, withdrawn: str = "", planned: int = 0) -> Standing:
    """Say where a finding stands.

    Parameters
    ----------
    results : mapping
        The contents of ``results.json``.
    withdrawn : str
        Why the authors took it back; empty = they did not.
    planned : int
        Runs still to be printed.

    Returns
    -------
    Standing
        The gravest that holds: withdrawn before failed before unfinished.
    """
    if withdrawn:
        return Standing(
            "withdrawn", f"Do not use these settings: {withdrawn.rstrip('.')}.", usable=False
        )
    verdict = _verdict(results.get("confirmation"))
    if verdict == "does not meet":
        text = "New prints at these settings did not meet the requirements. Do not use them."
        return Standing("confirmation failed", text, usable=False)
    if planned:
        text = f"{planned} planned prints are still to come; everything here may still change."
        return Standing("interim", text, usable=False)
    if results.get("recommended") is None and results.get("best_compromise") is None:
        text = "This study recommends no settings; it says what settings and materials do."
        return Standing("no settings recommended", text, usable=False)
    if results.get("recommended") is None:
        text = "No tried settings reach the chance that was asked for; what is shown is the best compromise."
        return Standing("no settings found", text, usable=False)
    if verdict == "meets":
        text = f"{_new_prints(results)} met the requirements, and their means came as foretold."
        return Standing("confirmed", text, usable=True)
    if verdict == "undecided":
        text = f"{_new_prints(results)} do not decide yet whether the requirements are met."
        return Standing("confirmation undecided", text, usable=True)
    text = "Nobody has checked these settings with new prints yet: print and measure a few before you rely on them."
    return Standing("not yet confirmed", text, usable=True)


def _verdict(confirmation: object) -> str:
    """Give the verdict, if it is about the settings that are recommended."""
    if not isinstance(confirmation, Mapping) or not confirmation.get("at_recommended", True):
        return ""
    return str(confirmation.get("verdict", ""))


def _new_prints(results: Mapping[str, Any]) -> str:
    number = results["confirmation"].get("prints")
    return f"{number} new prints on another day" if number else "New prints on another day"
