"""Differences in words: what differs, by how much, and whether that matters; never "the same"."""

from __future__ import annotations

from kit.model.compare import Comparison
from kit.model.pairs import DIFFERS, LESS, MORE, OPEN, Pair
from kit.report.wording import decimals_for, interval, number, p_words, plain, spoken
from kit.saying import listed, with_unit
from kit.study.description import Response
from kit.words import capital as capital

VERDICTS = {
    MORE: "differ by more than the margin",
    LESS: "differ by less than the margin",
    DIFFERS: "differ; whether by more than the margin is open",
    OPEN: "open: no clear difference, and none ruled out",
}


def answer_sentence(found: Comparison, response: Response, factor: str) -> str:
    """Say of one category and response what differs, by how much, and whether that matters."""
    head = f"{capital(response.title)} by {spoken(factor)}"
    if len(found.pairs) == 1:
        pair = found.pairs[0]
        return f"{head}: {_pair_words(pair, response)}, {_verdict_words(pair, response)}."
    parts = []
    for verdict in (MORE, DIFFERS, LESS, OPEN):
        mine = [p for p in found.pairs if p.verdict == verdict]
        if mine and verdict in (MORE, DIFFERS):
            words = [_pair_words(p, response) for p in mine]
            parts.append(f"{listed(words)}, {_verdict_words(mine[0], response)}")
        elif mine:
            who = listed([f"{p.second} against {p.first}" for p in mine])
            colon = "" if verdict == LESS else ":"
            parts.append(f"{who}{colon} {_verdict_words(mine[0], response)}")
    return f"{head}: {'; '.join(parts)}."


def _pair_words(pair: Pair, response: Response) -> str:
    places = decimals_for(pair.high_all - pair.low_all)
    size = with_unit(number(abs(pair.estimate), places), response.unit)
    low, high = sorted((abs(pair.low_all), abs(pair.high_all)))
    one_side = pair.low_all > 0 or pair.high_all < 0
    span = (
        interval(low, high, "", places)
        if one_side
        else interval(pair.low_all, pair.high_all, "", places)
    )
    way = "higher" if pair.estimate > 0 else "lower"
    if not one_side:
        signed = with_unit(number(pair.estimate, places), response.unit)
        return f"{pair.second} against {pair.first} {signed} ({span})"
    return f"{pair.second} is {size} {way} than {pair.first} ({span})"


def _verdict_words(pair: Pair, response: Response) -> str:
    test = pair.equivalence
    if test is None:
        return (
            "a clear difference"
            if pair.verdict == DIFFERS
            else "no clear difference, which is not proof of none"
        )
    margin = with_unit(plain(test.margin), response.unit)
    return {
        MORE: f"more than the margin of {margin}",
        LESS: f"differ by less than the margin of {margin}",
        DIFFERS: f"a clear difference, whether more than the margin of {margin} is open",
        OPEN: f"no clear difference, but more than the margin of {margin} is not ruled out",
    }[pair.verdict]


def any_difference(found: Comparison, response: Response, factor: str) -> str:
    """Say how clear it is that the levels differ at all."""
    words = p_words(found.p)
    evidence = {
        "very clear": "Very clear evidence",
        "clear": "Clear evidence",
        "hinted at": "A hint",
        "no clear effect": "No clear evidence",
    }[words]
    df = f"{number(found.df[0], 0)} and {number(found.df[1], 1)}"
    return (
        f"{evidence} that {response.title} differs at all by {spoken(factor)} (F {number(found.F, 2)} on {df} degrees of freedom, "
        f"p {_p(found.p)})."
        + (
            ""
            if found.p < 0.05
            else " That is no proof that nothing differs; only an interval inside the margin is."
        )
    )


def _p(p: float) -> str:
    return "below 0.0001" if p < 0.0001 else f"= {p:.2g}"
