"""Inside the window: the fastest and the thriftiest settings, what stops it at each edge, and what asking for more costs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from kit.model.surface import Surface
from kit.printer import setting_limits
from kit.printer.cost import print_cost
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.choice import ChanceAt
from kit.window.printers import average_chance
from kit.window.probability import Forecast, chance_to_meet, forecast, limits_of, with_limits
from kit.window.result import Setting, Window
from kit.window.settable import allowed_region

LARGEST_SLAB = 5000
"""Settings just outside a side of the box that are looked at, at most."""
LEVELS = 5
"""Limits of one requirement that are set side by side."""
ACCURACY = 0.01
"""A strictest limit is found to this share of the SD of one part."""
TRIED, STOPPED, UNSEEN = "tried", "stopped", "unseen"


@dataclass(frozen=True)
class Frugal:
    """Settings inside the window that save most.

    Attributes
    ----------
    settings : mapping of factor name to setting
    minutes, grams : float or None
        Of one print; None where the study does not say enough.
    probability : float
    """

    settings: Mapping[str, Setting]
    minutes: float | None
    grams: float | None
    probability: float


@dataclass(frozen=True)
class Edge:
    """What ends the box at one side.

    Attributes
    ----------
    factor : str
    side : str
        low | high.
    at : float
        The last setting inside.
    stopped_by : str
        Name of the requirement that fails just outside; ``tried`` where nothing was tried beyond, ``stopped`` at a hard
        stop of the printer or the study, ``unseen`` where nothing fails and the box of so many settings was not grown further.
    probability : float
        The lowest chance one step outside; NaN where nothing was tried.
    """

    factor: str
    side: str
    at: float
    stopped_by: str
    probability: float


@dataclass(frozen=True)
class AskingMore:
    """What a stricter limit of one requirement would cost, others held.

    Attributes
    ----------
    response, side : str
        Which limit: lower | upper.
    rows : DataFrame
        ``limit``, ``share`` of the printable settings that still reach the confidence, best ``probability``, the fewest
        ``minutes`` among them (missing where unknown); the first row is the limit as it stands, the last the strictest that
        some setting reaches.
    """

    response: str
    side: str
    rows: pd.DataFrame


@dataclass(frozen=True)
class TradeOffs:
    """What can be chosen inside the window.

    Attributes
    ----------
    fastest, thriftiest : Frugal or None
        None where the study does not say enough to tell minutes, or grams.
    recommended : Frugal
        What the recommended settings take.
    edges : tuple of Edge
    asking_more : tuple of AskingMore
    """

    fastest: Frugal | None
    thriftiest: Frugal | None
    recommended: Frugal
    edges: tuple[Edge, ...]
    asking_more: tuple[AskingMore, ...]


def trade_offs(surfaces: Mapping[str, Surface], study: Study, window: Window) -> TradeOffs | None:
    """Look around inside a window.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        The fit.
    study : Study
        Requirements, printer card, specimen.
    window : Window
        The answer.

    Returns
    -------
    TradeOffs or None
        None when nothing reaches the confidence.
    """
    if window.recommended is None:
        return None
    good = window.grid[window.grid["probability"] >= window.confidence].reset_index(drop=True)
    cost = print_cost(study, good)
    own = print_cost(study, pd.DataFrame([dict(window.recommended.settings)]))
    return TradeOffs(
        fastest=_least(good, cost, "minutes", study),
        thriftiest=_least(good, cost, "grams", study),
        recommended=Frugal(
            window.recommended.settings,
            _known(own["minutes"].iloc[0]),
            _known(own["grams"].iloc[0]),
            window.recommended.probability,
        ),
        edges=tuple(_edges(surfaces, study, window)),
        asking_more=tuple(_asking_more(surfaces, study, window, good, cost["minutes"].to_numpy())),
    )


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _least(good: pd.DataFrame, cost: pd.DataFrame, what: str, study: Study) -> Frugal | None:
    """Give the settings of least cost; of equals the one with the highest chance."""
    values = cost[what].to_numpy(dtype=float)
    if (
        not len(values)
        or not np.isfinite(values).all()
        or np.ptp(values) < 1e-9 * max(1.0, values.max())
    ):
        return None
    near = np.flatnonzero(values <= values.min() * (1 + 1e-9))
    row = int(near[good["probability"].to_numpy()[near].argmax()])
    settings: dict[str, Setting] = {}
    for name in study.coding.names:
        value = good[name].iloc[row]
        settings[name] = value if isinstance(value, str) else float(value)
    minutes, grams = (_known(cost[c].iloc[row]) for c in ("minutes", "grams"))
    return Frugal(settings, minutes, grams, float(good["probability"].iloc[row]))


def _chance(surfaces: Mapping[str, Surface], study: Study) -> ChanceAt:
    if study.window.other_printers:
        return lambda coded: average_chance(surfaces, study, coded)
    return lambda coded: chance_to_meet(surfaces, coded)


def _edges(surfaces: Mapping[str, Surface], study: Study, window: Window) -> list[Edge]:
    allowed = allowed_region(list(surfaces.values()), study)
    chance = _chance(surfaces, study)
    found = []
    for factor in study.factors:
        if factor.is_category or factor.name not in window.ranges:
            continue
        axis = [float(v) for v in window.steps[factor.name]]
        low_stop, high_stop, *_ = setting_limits(factor, study)
        for side, step, end in (
            ("low", -1, window.ranges[factor.name][0]),
            ("high", 1, window.ranges[factor.name][1]),
        ):
            place = axis.index(float(end)) + step
            if not 0 <= place < len(axis):
                stop = low_stop if side == "low" else high_stop
                reason = (
                    STOPPED
                    if abs(stop - float(end)) < (axis[1] - axis[0] if len(axis) > 1 else 1)
                    else TRIED
                )
                found.append(Edge(factor.name, side, float(end), reason, float("nan")))
                continue
            slab = _slab(study, window, factor.name, axis[place])
            inside = allowed(slab)
            if not inside.any():
                found.append(Edge(factor.name, side, float(end), TRIED, float("nan")))
                continue
            chances = chance(slab[inside])
            worst = slab[inside][[int(chances.argmin())]]
            foretold = forecast(surfaces, worst)
            name = foretold.names[int(foretold.alone[0].argmin())]
            if chances.min() >= window.confidence:
                # What fails there lies outside of what was tried; where nothing fails, the search looked no further.
                name = UNSEEN if inside.all() else TRIED
            found.append(Edge(factor.name, side, float(end), name, float(chances.min())))
    return found


def _slab(study: Study, window: Window, name: str, value: float) -> FloatArray:
    """Give the coded settings of the box with one factor set a step outside."""
    axes = []
    for factor in study.factors:
        low, high = window.ranges[factor.name]
        if factor.name == name:
            axes.append(np.asarray(factor.coded.code([value])))
        elif factor.is_category:
            axes.append(np.asarray(factor.coded.code([low])))
        else:
            inside = [v for v in window.steps[factor.name] if float(low) <= float(v) <= float(high)]
            axes.append(np.asarray(factor.coded.code(inside)))
    while np.prod([len(a) for a in axes]) > LARGEST_SLAB:
        longest = int(np.argmax([len(a) for a in axes]))
        axes[longest] = axes[longest][
            np.unique(
                np.linspace(0, len(axes[longest]) - 1, len(axes[longest]) // 2 + 1)
                .round()
                .astype(int)
            )
        ]
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes))


def _asking_more(
    surfaces: Mapping[str, Surface],
    study: Study,
    window: Window,
    good: pd.DataFrame,
    minutes: FloatArray,
) -> list[AskingMore]:
    """Tighten each one-sided limit as far as some setting still reaches the confidence."""
    coded = study.coding.code({n: good[n] for n in study.coding.names})
    found = []
    for name, surface in with_limits(surfaces).items():
        sides = [s for s in ("lower", "upper") if getattr(surface.response, s) is not None]
        if len(sides) != 1 or surface.success is not None:
            continue
        task = _Tightening(surfaces, study, name, sides[0], coded, window)
        strictest = task.strictest()
        now = float(getattr(surface.stated, sides[0]))
        limits = np.linspace(now, strictest, LEVELS)
        if abs(strictest - now) < 2 * task.fine:
            continue
        rows = [task.row(float(limit), minutes) for limit in limits]
        found.append(AskingMore(name, sides[0], pd.DataFrame(rows)))
    return found


@dataclass(frozen=True)
class _Tightening:
    """One limit moved inwards; only settings that reach the confidence now can reach it then."""

    surfaces: Mapping[str, Surface]
    study: Study
    name: str
    side: str
    coded: FloatArray
    window: Window

    @property
    def _sd(self) -> float:
        surface = self.surfaces[self.name]
        scale = forecast({self.name: surface}, self.coded).scale[:, 0]
        return float(surface.scale.sd_in_unit(scale, surface.typical(self.coded)).min())

    @property
    def fine(self) -> float:
        """Accuracy in the response's unit."""
        return ACCURACY * self._sd

    def chances(self, limit: float) -> FloatArray:
        """Give the chance at each setting with the limit moved; 0 where the response alone rules it out."""
        surface = self.surfaces[self.name]
        judged = surface.with_response(surface.stated.model_copy(update={self.side: limit}))
        if self.study.window.other_printers:
            return average_chance({**self.surfaces, self.name: judged}, self.study, self.coded)
        place = self._now.names.index(self.name)
        lower, upper = self._now.lower.copy(), self._now.upper.copy()
        (lower[place],), (upper[place],) = limits_of([judged.response])
        moved = self._now.with_limits(lower, upper)
        result = np.zeros(len(self.coded))
        hopeful = np.flatnonzero(moved.bound >= self.window.confidence)
        if len(hopeful):
            result[hopeful] = moved.take(hopeful).chance()
        return result

    @cached_property
    def _now(self) -> Forecast:
        """The settings as they are judged now."""
        return forecast(self.surfaces, self.coded)

    def strictest(self) -> float:
        """Give the strictest limit that some setting still reaches, by bisection."""
        surface = self.surfaces[self.name]
        now = float(getattr(surface.stated, self.side))
        means = surface.typical(self.coded)
        means = means[np.isfinite(means)]
        known, hope = now, float(means.max() if self.side == "lower" else means.min())
        while abs(hope - known) > self.fine:
            trial = (known + hope) / 2
            if self.chances(trial).max() >= self.window.confidence:
                known = trial
            else:
                hope = trial
        return known

    def row(self, limit: float, minutes: FloatArray) -> dict[str, float]:
        """Give what is left at one limit."""
        chances = self.chances(limit)
        reaching = chances >= self.window.confidence
        share = self.window.share * float(reaching.mean())
        least = (
            float(np.nanmin(minutes[reaching]))
            if reaching.any() and np.isfinite(minutes).all()
            else np.nan
        )
        return {
            "limit": limit,
            "share": share,
            "probability": float(chances.max()),
            "minutes": least,
        }
