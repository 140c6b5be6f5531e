"""What the doubt of instrument corrections does to the chance of meeting every requirement."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from kit.model.surface import Surface
from kit.terms import FloatArray
from kit.window.probability import chance_to_meet, with_limits


def chance_if_off(
    surfaces: Mapping[str, Surface],
    settings: Mapping[str, float | str],
    off: Mapping[str, float],
) -> tuple[float, float]:
    """Give the chance at some settings as fitted, and if every instrument were off for the worse.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        Fitted; responses without limits do not count.
    settings : mapping of factor name to setting
        Natural units or level names.
    off : mapping of response name to float
        How far its readings may be off, in its unit (>= 0); each is tried in both directions by itself, and the worse ones are
        taken together.

    Returns
    -------
    as_fitted, at_worst : float
        Chances that one new part meets every requirement.

    Raises
    ------
    ValueError
        If no fitted response has a limit.
    """
    wanted = with_limits(surfaces)
    if not wanted:
        raise ValueError("no requirement is stated, so no chance to meet it.")
    first = next(iter(wanted.values()))
    at = first.code({name: [value] for name, value in settings.items()})
    fitted = _chance(wanted, at)
    worst = dict(wanted)
    for name in wanted:
        reach = off.get(name, 0.0)
        if reach > 0:
            both = [{**wanted, name: _shifted(wanted[name], sign * reach)} for sign in (1.0, -1.0)]
            worst[name] = min(both, key=lambda s: _chance(s, at))[name]
    return fitted, min(fitted, _chance(worst, at))


def _chance(surfaces: Mapping[str, Surface], at: FloatArray) -> float:
    return float(np.asarray(chance_to_meet(surfaces, at)).ravel()[0])


def _shifted(surface: Surface, by: float) -> Surface:
    # Moving what is required the other way is the same as moving what was read.
    response = surface.stated
    limits = {
        side: None if (limit := getattr(response, side)) is None else limit - by
        for side in ("lower", "upper")
    }
    return surface.with_response(response.model_copy(update=limits))
