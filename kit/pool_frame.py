"""The frame that several studies share, and each study condensed to its cross-products in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from kit.bench.instruments import specimen_results
from kit.bench.measured import Measured, censored_runs
from kit.errors import ModelError
from kit.model.pool import CrossProducts, cross_products
from kit.model.pool_together import JointProducts, joint_products
from kit.study.data import StudyData
from kit.study.description import Factor, Response, Study
from kit.study.intake import take_in
from kit.terms import FloatArray, block_columns, expand_terms, model_matrix
from kit.words import CONFIRMATION as CONFIRMATION


@dataclass(frozen=True)
class StudySummary:
    """What the pool needs of one study.

    Attributes
    ----------
    name : str
        The study folder's name.
    printer : str
        Whose effect it is.
    products : mapping of response name to CrossProducts
    tried : array, shape (n, n_factors)
        Settings printed, in the shared coding.
    specimen : mapping of response name to (variance, degrees of freedom)
        Further variance of one part beside that of a print mean.
    prints : int
        Prints used.
    together : JointProducts or None
        Products of the responses that state a requirement, in the frame's order, over prints that have all of them; None where
        fewer than two do.
    """

    name: str
    printer: str
    products: Mapping[str, CrossProducts]
    tried: FloatArray
    specimen: Mapping[str, tuple[float, float]]
    prints: int
    together: JointProducts | None = None


def shared_frame(studies: Mapping[str, Study]) -> tuple[Study, dict[str, str]]:
    """Find the frame that the studies share: factors over all ranges, the tightest requirements.

    Parameters
    ----------
    studies : mapping of name to Study
        The first that has most in common with the others sets what is compared.

    Returns
    -------
    frame : Study
    unfit : dict of name to str
        Studies that do not fit it, and why.

    Raises
    ------
    ModelError
        If there are no studies.
    """
    if not studies:
        raise ModelError("no study could be read; nothing to pool.")
    fitting = {
        n: [m for m, s in studies.items() if _misfit(f, s) is None] for n, f in studies.items()
    }
    first = max(fitting, key=lambda n: len(fitting[n]))
    frame, members = studies[first], [studies[m] for m in fitting[first]]
    unfit = {n: text for n, s in studies.items() if (text := _misfit(frame, s)) is not None}
    factors = tuple(_widest(f, [s.factor_named(f.name) for s in members]) for f in frame.factors)
    responses = tuple(
        _tightest(r, [s.response_named(r.name) for s in members]) for r in frame.responses
    )
    return frame.model_copy(update={"factor": factors, "response": responses}), unfit


def _misfit(frame: Study, study: Study) -> str | None:
    """Say why a study cannot be pooled with the frame; None if it can."""
    for what, mine, theirs in (
        ("factors", {f.name: f for f in frame.factors}, {f.name: f for f in study.factors}),
        ("responses", {r.name: r for r in frame.responses}, {r.name: r for r in study.responses}),
    ):
        if set(mine) != set(theirs):
            return f"its {what} are {', '.join(theirs)}; the others have {', '.join(mine)}"
        for name, thing in mine.items():
            if thing.unit != theirs[name].unit:
                return f"{name} is in {theirs[name].unit or 'no unit'}; the others use {thing.unit or 'no unit'}"
    for factor in frame.factors:
        if factor.levels != study.factor_named(factor.name).levels:
            return f"the levels of {factor.name} are not those of the others"
    polymers = {frame.material.polymer.casefold(), study.material.polymer.casefold()} - {""}
    if len(polymers) > 1:
        return (
            f"it is about {study.material.polymer}; the others are about {frame.material.polymer}"
        )
    return None


def _widest(factor: Factor, all_: Sequence[Factor]) -> Factor:
    if factor.is_category:
        return factor
    lows = [f.low for f in all_ if f.low is not None]
    highs = [f.high for f in all_ if f.high is not None]
    steps = [f.step for f in all_ if f.step is not None]
    return factor.model_copy(
        update={"low": min(lows), "high": max(highs), "step": max(steps, default=None)}
    )


def _tightest(response: Response, all_: Sequence[Response]) -> Response:
    lower = max((r.lower for r in all_ if r.lower is not None), default=None)
    upper = min((r.upper for r in all_ if r.upper is not None), default=None)
    return response.model_copy(update={"lower": lower, "upper": upper})


def summarise(folder: Path, frame: Study) -> StudySummary:
    """Condense one study.

    Parameters
    ----------
    folder : Path
        The study folder.
    frame : Study
        From `shared_frame`.

    Returns
    -------
    StudySummary

    Raises
    ------
    StudyError
        If the study has problems.
    ModelError
        If a response has no results yet.
    """
    data = take_in(folder)
    measured = specimen_results(data)
    missing = [r.name for r in frame.responses if r.name not in measured]
    if missing:
        raise ModelError(f"no results of {', '.join(missing)} yet")
    at_limit = [r.name for r in frame.responses if censored_runs(measured[r.name])]
    if at_limit:
        raise ModelError(
            f"prints reached the limit of the instrument ({', '.join(at_limit)}), which a pool cannot count as “at least”"
        )
    products, tried = {}, []
    for response in frame.responses:
        used = _used(data, [measured[response.name]])
        if used.empty:
            raise ModelError(f"no printed run has a result of {response.name}")
        coded, values, blocks = _rows(data, used, [measured[response.name]], frame)
        X = model_matrix(frame.coding, expand_terms(frame.coding, frame.model.terms), coded)
        products[response.name] = cross_products(X, values[:, 0], blocks)
        tried.append(coded)
    return StudySummary(
        name=folder.name,
        printer=" ".join(data.study.printer.name.split()) or folder.name,
        products=products,
        tried=np.unique(np.vstack(tried), axis=0),
        specimen={n: _specimen(measured[n]) for n in products},
        prints=max(len(t) for t in tried),
        together=_together(
            data, [measured[r.name] for r in frame.responses if r.has_limits], frame
        ),
    )


def _together(data: StudyData, measured: Sequence[Measured], frame: Study) -> JointProducts | None:
    used = _used(data, measured)
    if len(measured) < 2 or used.empty:
        return None
    coded, values, blocks = _rows(data, used, measured, frame)
    X = model_matrix(frame.coding, expand_terms(frame.coding, frame.model.terms), coded)
    return joint_products(X, values, blocks)


def _used(data: StudyData, measured: Sequence[Measured]) -> pd.DataFrame:
    """Give the prints that count and have all of some responses, a column of means each."""
    used = data.runs[(data.runs["status"] == "printed") & (data.runs["round"] != CONFIRMATION)]
    for m in measured:
        means = m.prints[["run", "value"]].rename(columns={"value": _column(m)})
        used = used.merge(means, on="run")
    return used


def _column(measured: Measured) -> str:
    return f"mean of {measured.response.name}"  # no factor's or response's name has blanks


def _rows(
    data: StudyData, used: pd.DataFrame, measured: Sequence[Measured], frame: Study
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give coded settings, print means (one column a response) and block columns of prints."""
    coded = frame.coding.code({n: used[f"{n}_actual"] for n in frame.coding.names})
    labels = used["block"].tolist() if data.study.model.blocks != "none" else [1] * len(used)
    values = used[[_column(m) for m in measured]].to_numpy(dtype=float)
    return coded, values, block_columns(labels)[1]


def _specimen(measured: Measured) -> tuple[float, float]:
    share = 1 - 1 / measured.specimens_per_print
    return (measured.specimen_variance or 0.0) * share, float(measured.specimen_df)
