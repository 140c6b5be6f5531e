"""What some settings would do: the chance, each response, nothing chosen."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from kit.model.surface import Surface
from kit.study.description import Study
from kit.window.choice import predict_part
from kit.window.printers import average_chance
from kit.window.probability import forecast
from kit.window.result import Choice, Setting


def what_if(
    surfaces: Mapping[str, Surface], study: Study, settings: Mapping[str, Setting]
) -> Choice | None:
    """Foretell one new part at given settings.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        The fit.
    study : Study
        Requirements; whether other printers count.
    settings : mapping of factor name to setting
        Natural units.

    Returns
    -------
    Choice or None
        Without limits of the chance (NaN), which take a simulation; None outside of what was tried.
    """
    at = study.coding.code({n: [settings[n]] for n in study.coding.names})
    if not all(s.tried.contains(at)[0] for s in surfaces.values()):
        return None
    foretold = forecast(surfaces, at)
    chance = np.array([np.nan])
    if foretold.names:
        chance = (
            average_chance(surfaces, study, at)
            if study.window.other_printers
            else foretold.chance()
        )
    return Choice(
        settings=dict(settings),
        probability=float(chance[0]),
        low=float("nan"),
        high=float("nan"),
        predictions={n: predict_part(s, at[0]) for n, s in surfaces.items()},
        alone=dict(zip(foretold.names, foretold.alone[0].tolist(), strict=True)),
        how="asked for",
    )
