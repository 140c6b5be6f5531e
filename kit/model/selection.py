"""Terms chosen by the prints themselves, on request: hierarchical models compared by AICc, and marked as optimistic.

A model that was picked because it fits these prints well looks surer than it is. It is offered because many makers want
it, and every answer that rests on it says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import inf, log

import numpy as np
import numpy.typing as npt

from kit.errors import ModelError
from kit.study.description import Study
from kit.terms import Coding, FloatArray, Term, expand_terms, missing_parents, model_matrix

MOST_MODELS = 6000
"""Up to so many hierarchical models all are tried; beyond, terms are added and dropped one at a time."""

NEAR = 2.0
"""Models within so much of the least AICc explain the prints about as well (Burnham & Anderson 2002, section 2.6)."""

MOST_NEAR = 10
"""At most so many of them are named."""

Chosen = tuple[bool, ...]


@dataclass(frozen=True)
class RunnerUp:
    """A model nearly as good: names of its effects, and by how much its AICc is larger."""

    effects: tuple[str, ...]
    difference: float


@dataclass(frozen=True)
class Selection:
    """What was chosen, and what else was nearly as good.

    Attributes
    ----------
    terms : tuple of Term
        Kept, intercept first, in the order asked for.
    kept, left_out : tuple of str
        Names of effects; a category's name stands for all its contrasts.
    aicc, aicc_full : float
        Of the chosen model, and of that with all terms (infinite where it has too few spare prints for one).
    models : int
        How many were compared.
    all_tried : bool
        Whether these are all hierarchical ones.
    runners_up : tuple of RunnerUp
        Within 2 of the least AICc, best first; at most ten.
    near : int
        How many models are within 2.
    """

    terms: tuple[Term, ...]
    kept: tuple[str, ...]
    left_out: tuple[str, ...]
    aicc: float
    aicc_full: float
    models: int
    all_tried: bool
    runners_up: tuple[RunnerUp, ...]
    near: int


def select_terms(
    coding: Coding, terms: Sequence[Term], coded: FloatArray, blocks: FloatArray, y: FloatArray
) -> Selection:
    """Choose among the hierarchical models by AICc.

    Parameters
    ----------
    coding : Coding
        The factors.
    terms : sequence of Term
        The model asked for, intercept first; no model holds other terms.
    coded : array, shape (n, n_factors)
        Coded settings of the prints.
    blocks : array, shape (n, n_blocks - 1)
        Block columns, in every model.
    y : array, shape (n,)
        Print means.

    Returns
    -------
    Selection

    Raises
    ------
    ModelError
        If there are too few prints for an AICc of any model.

    Notes
    -----
    AICc = n log(RSS/n) + 2 k + 2 k (k + 1)/(n - k - 1), k coefficients with blocks and the variance (Hurvich & Tsai,
    Biometrika 76, 1989, 297-307). A model is hierarchical when it holds, with every interaction or square, all
    terms of lower order in it that were asked for. Contrasts of a category stay together. Ties fall to the smaller model.

    Chosen by the same prints the model promises too much. Simulated for composites of 20 prints in three factors whose
    second-order effects are up to twice their errors: at a setting named beforehand 95 % limits of the mean hold 77 to 84 %
    (with all terms 94 to 95 %), those of a new print 92 to 93 % (94 to 96 %), and of a stated chance of 90 % 87 to 88 % come
    true (89 to 90 %). At the setting with the best fitted mean, limits of the mean hold 67 to 76 % (86 to 87 %).
    """
    effects = _effects(terms)
    parents = _parents(effects, coding)
    score = _Scorer(model_matrix(coding, terms, coded), blocks, y, list(effects.values()))
    models = _hierarchical(parents, MOST_MODELS)
    found = {m: score(m) for m in models} if models is not None else _stepwise(parents, score)
    best = min(found, key=lambda m: (found[m], sum(m)))
    if found[best] == inf:
        raise ModelError(
            f"{len(y)} prints are too few to select terms by AICc; delete selection under [model], or print more."
        )
    names = list(effects)
    close = sorted(
        (m for m in found if m != best and found[m] - found[best] <= NEAR), key=found.__getitem__
    )
    chosen = {name for name, keep in zip(names, best, strict=True) if keep}
    return Selection(
        terms=tuple(t for t in terms if not t.order or _effect(t) in chosen),
        kept=tuple(n for n in names if n in chosen),
        left_out=tuple(n for n in names if n not in chosen),
        aicc=found[best],
        aicc_full=score((True,) * len(names)),
        models=len(found),
        all_tried=models is not None,
        runners_up=tuple(
            RunnerUp(
                tuple(n for n, keep in zip(names, m, strict=True) if keep), found[m] - found[best]
            )
            for m in close[:MOST_NEAR]
        ),
        near=len(close),
    )


def selected_terms(
    study: Study,
    terms: Sequence[Term],
    coded: FloatArray,
    blocks: FloatArray,
    y: FloatArray,
    groups: Mapping[str, object],
    censored: npt.NDArray[np.bool_],
) -> Selection | None:
    """Select terms where the study asks for it.

    Parameters
    ----------
    study : Study
        For ``selection`` under ``[model]`` and the coding.
    terms, coded, blocks, y
        As for `select_terms`.
    groups : mapping
        Random groups of prints.
    censored : array of bool, shape (n,)
        Prints at the limit of the instrument.

    Returns
    -------
    Selection or None
        None where it was not asked for.

    Raises
    ------
    ModelError
        Beside random groups or prints at the limit, whose fits have no such AICc.
    """
    if study.model.selection == "none":
        return None
    if groups or censored.any():
        what = "random groups of prints" if groups else "prints at the limit of the instrument"
        raise ModelError(
            f"terms are not selected beside {what}. Delete selection under [model] and name terms."
        )
    return select_terms(study.coding, terms, coded, blocks, y)


def _effect(term: Term) -> str:
    # Name the effect a term belongs to: its own name with levels left aside.
    parts = [name if power == 1 else f"{name}^{power}" for name, power in term.powers]
    return ":".join([*parts, *(name for name, _ in term.levels)])


def _effects(terms: Sequence[Term]) -> dict[str, list[int]]:
    # Give the columns of each effect, lower orders first so that parents come before their children.
    found: dict[str, list[int]] = {}
    for place in sorted(range(len(terms)), key=lambda i: terms[i].order):
        if terms[place].order:
            found.setdefault(_effect(terms[place]), []).append(place)
    return found


def _parents(effects: dict[str, list[int]], coding: Coding) -> list[list[int]]:
    # Give the places of the effects that each needs, as far as they were asked for.
    names = list(effects)
    needed = []
    for name in names:
        own = [t for t in expand_terms(coding, [name]) if t.order]
        wanted = {_effect(t) for t in expand_terms(coding, missing_parents(own, coding)) if t.order}
        needed.append([names.index(w) for w in wanted if w in effects])
    return needed


def _hierarchical(parents: list[list[int]], most: int) -> list[Chosen] | None:
    # List all hierarchical models; None when there are more than ``most``.
    models: list[Chosen] = [()]
    for needed in parents:
        models = [
            (*m, keep)
            for m in models
            for keep in (False, True)
            if not keep or all(m[i] for i in needed)
        ]
        if len(models) > most:
            return None
    return models


class _Scorer:
    """AICc of a model from a triangle that all models share."""

    def __init__(
        self, X: FloatArray, blocks: FloatArray, y: FloatArray, columns: list[list[int]]
    ) -> None:
        self.n, self.columns = len(y), columns
        centred = y - y.mean()
        self.total = float(centred @ centred)
        self.always = [0, *range(X.shape[1], X.shape[1] + blocks.shape[1])]
        self.R: FloatArray = np.asarray(
            np.linalg.qr(np.column_stack([X, blocks, centred]), mode="r"), dtype=float
        )

    def __call__(self, model: Chosen) -> float:
        used = [c for keep, group in zip(model, self.columns, strict=True) if keep for c in group]
        places = sorted([*self.always, *used])
        k = len(places) + 1
        if self.n - k - 1 <= 0:
            return inf
        rest = self._rest(np.array(places))
        return self.n * log(rest / self.n) + 2 * k + 2 * k * (k + 1) / (self.n - k - 1)

    def _rest(self, places: npt.NDArray[np.int64]) -> float:
        target = self.R[:, -1]
        Q = np.linalg.qr(self.R[:, places])[0]
        missed = target - Q @ (Q.T @ target)
        return max(float(missed @ missed), 1e-24 * self.total, 1e-300)


def _stepwise(parents: list[list[int]], score: _Scorer) -> dict[Chosen, float]:
    # From the empty and the full model, add or drop the one effect that helps most, until none does.
    m = len(parents)
    found: dict[Chosen, float] = {}
    for start in ((False,) * m, (True,) * m):
        at = start
        found.setdefault(at, score(at))
        while True:
            for near in _neighbours(at, parents):
                if near not in found:
                    found[near] = score(near)
            best = min(_neighbours(at, parents), key=lambda c: found[c])
            # Out of the full model, which may have no AICc at all, the first step is always taken.
            if found[best] >= found[at] and not (found[at] == inf and sum(best) < sum(at)):
                break
            at = best
    return found


def _neighbours(at: Chosen, parents: list[list[int]]) -> Iterator[Chosen]:
    for i, needed in enumerate(parents):
        if at[i]:
            if not any(at[j] and i in parents[j] for j in range(len(at))):
                yield (*at[:i], False, *at[i + 1 :])
        elif all(at[j] for j in needed):
            yield (*at[:i], True, *at[i + 1 :])
