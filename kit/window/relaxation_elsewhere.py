"""What giving way on one limit would buy on other printers: the chance averaged over their thermometers."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from kit.model.surface import Surface
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.printers import Lines, lay_lines
from kit.window.probability import Forecast, forecast
from kit.window.relaxation import PASSES
from kit.window.result import Relaxation

TOP, STEPS = 150, 16
"""Settings among which the best is sought with one limit moved, and halvings of the limit."""


def averaged_relaxations(
    surfaces: Mapping[str, Surface],
    study: Study,
    coded: FloatArray,
    lines: Lines,
    extended: Forecast,
) -> tuple[Relaxation, ...]:
    """For each limit find where it would have to be for some setting to reach the confidence on average elsewhere.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        The fit.
    study : Study
        Thermometer differences and confidence.
    coded : array, shape (m, n_factors)
        All printable settings; none of them reaches the confidence.
    lines : Lines
        Through these settings.
    extended : Forecast
        At the nodes of the lines.

    Returns
    -------
    tuple of Relaxation
        As `kit.window.relaxation.relaxations`, limits on the fitted scales; the settings of the highest bounds stand for all.
    """
    found = []
    for place, name in enumerate(extended.names):
        if name in extended.outcomes:
            best = _few(surfaces, study, coded, lines, extended.without(name)).best()
            found.append(Relaxation(name, PASSES, 1.0, None, best))
            continue
        for side in ("lower", "upper"):
            limit = float(getattr(extended, side)[place])
            if not np.isfinite(limit):
                continue
            dropped = _moved(extended, place, side, None)
            few = _few(surfaces, study, coded, lines, dropped)
            best = few.best()
            reached = best >= study.window.confidence
            needed = few.needed(place, side, limit, study.window.confidence) if reached else None
            found.append(Relaxation(name, side, limit, needed, best))
    return tuple(found)


class _Few:
    """A few settings, followed to other printers."""

    def __init__(self, lines: Lines, foretold: Forecast) -> None:
        self._lines, self._foretold = lines, foretold

    def best(self) -> float:
        """Give the best average chance."""
        return float(self._lines.average(self._foretold.chance()).max())

    def needed(self, place: int, side: str, limit: float, confidence: float) -> float:
        """Give the limit that moves least, by halving between the limit as it stands and one that binds no more."""
        outwards = -1.0 if side == "lower" else 1.0
        mean, scale = self._foretold.mean[:, place], self._foretold.scale[:, place]
        ends = mean + outwards * 40 * scale
        far = float(outwards * (outwards * ends).max())
        for _ in range(STEPS):
            trial = (limit + far) / 2
            moved = _Few(self._lines, _moved(self._foretold, place, side, trial))
            limit, far = (limit, trial) if moved.best() >= confidence else (trial, far)
        return far


def _few(
    surfaces: Mapping[str, Surface],
    study: Study,
    coded: FloatArray,
    lines: Lines,
    dropped: Forecast,
) -> _Few:
    """Take the settings of the highest bounds; the limits are those of ``dropped``."""
    top = np.argsort(-lines.average(dropped.bound), kind="stable")[:TOP]
    few = lay_lines(surfaces, study, coded[top])
    assert few is not None  # there are lines already
    return _Few(few, forecast(surfaces, few.coded).with_limits(dropped.lower, dropped.upper))


def _moved(foretold: Forecast, place: int, side: str, limit: float | None) -> Forecast:
    """Give the forecast with one limit moved, or dropped."""
    ends = {"lower": foretold.lower.copy(), "upper": foretold.upper.copy()}
    outside = -np.inf if side == "lower" else np.inf
    ends[side][place] = outside if limit is None else limit
    return foretold.with_limits(ends["lower"], ends["upper"])
