"""Runs to add to a plan, by purpose: separate mixed-up effects, see curvature, narrow the doubt.

The added runs are the best for a wider (or the same) model given those that are printed already; they
start a block of their own, since they come from another day and maybe another spool.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.design.basis import term_numbers
from kit.design.exchange import added_runs
from kit.design.precision import Precision, assess_plan
from kit.design.steps import settable
from kit.design.tailored import study_region
from kit.errors import DesignError, UsageError
from kit.study.description import Study
from kit.terms import Term, expand_terms

SEPARATE, CURVATURE, DOUBT = "separate mixed-up effects", "see curvature", "narrow the doubt"
PURPOSES = (SEPARATE, CURVATURE, DOUBT)
FEWEST = 4
"""Runs added unless asked otherwise, or more where a wider model needs them; common practice, no source."""
SEED_STEP = 13


@dataclass(frozen=True)
class Added:
    """Runs to add and what they buy.

    Attributes
    ----------
    purpose : str
    settings : DataFrame
        One row a run, one column a factor.
    terms : tuple of str
        The model they serve, intercept left out.
    widened : tuple of str
        Its terms that the study's model does not hold yet.
    before, after : Precision
        Of that model without and with the added runs.
    """

    purpose: str
    settings: pd.DataFrame
    terms: tuple[str, ...]
    widened: tuple[str, ...]
    before: Precision
    after: Precision

    @property
    def sentences(self) -> tuple[str, ...]:
        """What the added runs buy, in words."""
        said = [
            f"{len(self.settings)} runs to add, chosen to {self.purpose}; they start a block of their own."
        ]
        gained = [n for n in self.before.lost if n not in self.after.lost]
        if gained:
            said.append(f"With them the prints can tell {', '.join(gained)}.")
        if self.after.lost:
            said.append(f"Still not told apart: {', '.join(self.after.lost)}.")
        if self.before.df > 0 and self.after.df > 0 and not gained:
            old, new = (float(np.quantile(p.shares, 0.5)) for p in (self.before, self.after))
            said.append(
                f"Half-widths of foretold means shrink to {100 * new / old:.0f} % of what they were, at half of the settings."
            )
        if self.widened:
            said.append(
                f"To fit these, write terms = {list(self.terms)} under [model].".replace("'", '"')
            )
        return tuple(said)


def purpose_named(text: str) -> str:
    """Find a purpose from what was typed: the phrase, or a word of it.

    Returns
    -------
    str

    Raises
    ------
    UsageError
        If no purpose, or more than one, has that word.

    Examples
    --------
    >>> purpose_named("curvature"), purpose_named("Narrow the doubt")
    ('see curvature', 'narrow the doubt')
    """
    asked = text.strip().casefold()
    found = [p for p in PURPOSES if asked == p or asked in set(p.split()) - {"the"}]
    if len(found) != 1:
        raise UsageError(f'{text!r}: runs are added to "{SEPARATE}", "{CURVATURE}" or "{DOUBT}".')
    return found[0]


def add_runs(study: Study, runs: pd.DataFrame, purpose: str, number: int | None = None) -> Added:
    """Choose runs to add.

    Parameters
    ----------
    study : Study
        Steps, limits, printer, model and seed.
    runs : DataFrame
        The runs so far; failed ones and confirming prints do not count. Where ``<factor>_actual`` is there, it counts.
    purpose : str
        One of `PURPOSES`.
    number : int, optional
        How many; default 4, or as many as the wider model needs and two to spare.

    Returns
    -------
    Added

    Raises
    ------
    DesignError
        If there are no runs yet, or so few added ones cannot serve the purpose.
    """
    kept = runs[(runs["status"] != "failed") & (runs["round"] != "confirmation")]
    if not len(kept):
        raise DesignError(
            "There are no runs yet to add to: make a plan first (testprint plan STUDY)."
        )
    coding = study.coding
    actual = {n: kept[f"{n}_actual"] if f"{n}_actual" in kept else kept[n] for n in coding.names}
    kept = kept.assign(**actual)
    terms = _wanted(study, kept, purpose)
    widened = study.model_copy(
        update={"model": study.model.model_copy(update={"terms": tuple(t.name for t in terms)})}
    )
    before = assess_plan(widened, kept)
    count = number or max(FEWEST, len(before.lost) + 2)
    rng = np.random.default_rng([study.seed, SEED_STEP, len(kept)])
    chosen = added_runs(
        term_numbers(coding, terms),
        study_region(study),
        coding.code(actual),
        count,
        "D" if purpose == SEPARATE else "I",
        rng=rng,
        printed_blocks=kept["block"].tolist(),
    )
    settings, _ = settable(study, chosen)
    fresh = settings.assign(
        block=int(kept["block"].max()) + 1, print_order=np.arange(count), status="planned"
    )
    after = assess_plan(widened, pd.concat([kept, fresh], ignore_index=True))
    names = tuple(t.name for t in terms if t.order)
    have = {t.name for t in expand_terms(coding, study.planned_terms)}
    return Added(purpose, settings, names, tuple(n for n in names if n not in have), before, after)


def _wanted(study: Study, runs: pd.DataFrame, purpose: str) -> tuple[Term, ...]:
    """Give the model that the added runs must serve."""
    coding = study.coding
    now = expand_terms(coding, study.planned_terms)
    if purpose == DOUBT:
        kept = {t.name for t in assess_plan(study, runs).terms}
        return tuple(t for t in now if t.name in kept)
    wider = expand_terms(coding, "interactions" if purpose == SEPARATE else "second_order")
    if purpose == CURVATURE:
        bends = [t for t in wider if len(t.factors) == 1 and t.order == 2]
        return (*now, *(t for t in bends if t not in now))
    plain = [t for t in now if t in wider]
    return (*plain, *(t for t in wider if t not in plain))
