"""What giving way on one limit would buy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from kit.terms import FloatArray
from kit.window.choice import best_chance
from kit.window.probability import Forecast
from kit.window.result import Relaxation

PASSES = "passes"
"""Side of a requirement that has no limit to move: a part passes or fails."""
ACCURACY = 1e-5
"""A needed limit is found to this share of the scale of one part."""


def relaxations(forecast: Forecast, confidence: float) -> tuple[Relaxation, ...]:
    """For each limit find where it would have to be for some setting to reach the confidence.

    Parameters
    ----------
    forecast : Forecast
        Of all printable settings; none of them reaches the confidence.
    confidence : float
        Chance wanted, in 0 to 1.

    Returns
    -------
    tuple of Relaxation
        One a limit, in the order of the responses, lower before upper; ``needed`` None where no
        value of that limit alone is enough, and for what a part passes or fails (side ``passes``): there is no limit to move.
    """
    found = []
    for place, name in enumerate(forecast.names):
        if name in forecast.outcomes:
            best = best_chance(forecast.without(name))
            found.append(Relaxation(name, PASSES, 1.0, None, best))
            continue
        for side, limits in (("lower", forecast.lower), ("upper", forecast.upper)):
            if np.isfinite(limits[place]):
                task = _Task(forecast, place, side, confidence)
                best = best_chance(task.at(None))
                needed = task.needed() if best >= confidence else None
                found.append(Relaxation(name, side, float(limits[place]), needed, best))
    return tuple(found)


@dataclass(frozen=True)
class _Task:
    """One limit to be moved outwards."""

    forecast: Forecast
    place: int
    side: str
    confidence: float

    def at(self, limit: float | None) -> Forecast:
        """Give the forecast with the limit moved, or dropped."""
        lower, upper = self.forecast.lower.copy(), self.forecast.upper.copy()
        moved = lower if self.side == "lower" else upper
        outside = -np.inf if self.side == "lower" else np.inf
        moved[self.place] = outside if limit is None else limit
        return self.forecast.with_limits(lower, upper)

    def needed(self) -> float | None:
        """Give the limit that moves least; None when only a limit at infinity would do.

        With the limit dropped a setting reaches d. Its loss by the limit is at most the tail
        beyond it, so a tail of d - confidence is enough; and the response's own chance must reach the
        confidence, which bounds the tail from above. Only settings whose bounds leave it open are
        integrated, in a bisection that drops the losers.

        Returns
        -------
        float or None
            In the unit of the response.
        """
        rows = np.flatnonzero(self.at(None).bound >= self.confidence)
        dropped = self.at(None).take(rows).chance()
        rows, dropped = rows[dropped >= self.confidence], dropped[dropped >= self.confidence]
        enough = self._limit_for_tail(rows, dropped - self.confidence)
        most = self._limit_for_tail(rows, self.at(None).alone[rows, self.place] - self.confidence)
        inward = 1.0 if self.side == "lower" else -1.0
        known = float((inward * enough).max())
        if not np.isfinite(known):
            return None
        rows = rows[inward * most > known]
        limits = self.forecast.lower if self.side == "lower" else self.forecast.upper
        hope = min(inward * float(limits[self.place]), float((inward * most).max()))
        fine = ACCURACY * float(self.forecast.scale[:, self.place].min())
        while hope - known > fine and rows.size:
            trial = (known + hope) / 2
            reached = self.at(inward * trial).take(rows).chance() >= self.confidence
            if reached.any():
                known, rows = trial, rows[reached]
            else:
                hope = trial
        return inward * known

    def _limit_for_tail(self, rows: npt.NDArray[np.intp], tail: FloatArray) -> FloatArray:
        """Give the limit at each setting beyond which the response lies with chance ``tail``."""
        part = self.forecast.take(rows)
        reach = special.stdtrit(part.df[:, self.place], np.clip(tail, 0.0, 1.0))
        reach = np.where(tail <= 0, -np.inf, reach) * part.scale[:, self.place]
        mean = part.mean[:, self.place]
        return np.asarray(mean + reach if self.side == "lower" else mean - reach)
