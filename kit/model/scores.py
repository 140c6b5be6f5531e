"""Visual scores of a study: the raters' agreement, and the scores as ordered classes over the settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.errors import ModelError
from kit.model.agreement import Agreement, agreement
from kit.model.ordinal import OrdinalFit, fit_ordinal
from kit.study.data import StudyData
from kit.study.description import Response
from kit.terms import FloatArray, expand_terms, model_matrix


@dataclass(frozen=True)
class Scores:
    """What is known of one scored response.

    Attributes
    ----------
    response : Response
    raters : Agreement or None
        None where nothing was rated by two.
    fit : OrdinalFit or None
        Cumulative logit model of one score a print (the median of its ratings) on the main effects.
    why_not : str
        Why there is no fit; empty where there is one.
    counts : mapping of score to int
        How many ratings gave it.
    """

    response: Response
    raters: Agreement | None
    fit: OrdinalFit | None
    why_not: str
    counts: Mapping[float, int]


def study_scores(data: StudyData) -> tuple[Scores, ...]:
    """Judge every response of a study that is a visual score.

    Parameters
    ----------
    data : StudyData
        A study taken in.

    Returns
    -------
    tuple of Scores
        Responses that nobody rated yet are left out.
    """
    found = []
    for response in data.study.responses:
        if response.recipe != "score":
            continue
        used = data.readings[
            (data.readings["response"] == response.name) & (data.readings["excluded"] == "")
        ]
        if len(used):
            found.append(_scores(data, response, used))
    return tuple(found)


def chance_to_meet_score(
    scores: Scores, data: StudyData, settings: Mapping[str, float | str]
) -> float | None:
    """Give the chance that a print is rated within the limits at some settings; None without a fit or a limit."""
    response, fit = scores.response, scores.fit
    if fit is None or not response.has_limits:
        return None
    x = _columns(data, pd.DataFrame({k: [v] for k, v in settings.items()}))
    low = 0.0 if response.lower is None else float(fit.chance_at_most(_below(response.lower), x)[0])
    high = 1.0 if response.upper is None else float(fit.chance_at_most(response.upper, x)[0])
    return max(0.0, high - low)


def _scores(data: StudyData, response: Response, used: pd.DataFrame) -> Scores:
    rated = used.assign(piece=used["run"] + "\0" + used["specimen"])
    runs = data.runs[(data.runs["round"] != "confirmation") & (data.runs["status"] == "printed")]
    median = used.groupby("run")["value"].median()
    runs = runs[runs["run"].isin(median.index)]
    # A median between two points is rounded down, towards the better score of a fault that is counted.
    y = np.floor(runs["run"].map(median).to_numpy(dtype=float))
    counts = used["value"].value_counts().sort_index()
    fit, why = None, ""
    try:
        settings = pd.DataFrame({f.name: runs[f"{f.name}_actual"] for f in data.study.factors})
        fit = fit_ordinal(y, _columns(data, settings), _names(data))
    except ModelError as error:
        why = str(error)
    return Scores(
        response,
        agreement(rated),
        fit,
        why,
        dict(zip(counts.index.to_numpy(dtype=float).tolist(), counts.tolist(), strict=True)),
    )


def _names(data: StudyData) -> tuple[str, ...]:
    return tuple(t.name for t in expand_terms(data.study.coding, "main") if t.name != "intercept")


def _columns(data: StudyData, settings: pd.DataFrame) -> FloatArray:
    coding = data.study.coding
    terms = expand_terms(coding, "main")
    matrix = model_matrix(coding, terms, coding.code(settings))
    return np.asarray(matrix[:, [i for i, t in enumerate(terms) if t.name != "intercept"]])


def _below(limit: float) -> float:
    """Give the highest score that is still below a lower limit: scores are whole points."""
    return float(np.ceil(limit) - 1)
