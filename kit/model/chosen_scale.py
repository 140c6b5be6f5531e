"""Whether the scale that a study chose for a response suits its prints."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.model.boxcox import box_cox
from kit.model.check import STRIKING, Check, no_verdict, verdict
from kit.model.reduction import indicator
from kit.model.surface import Surface
from kit.saying import rounded


def chosen_scale_check(surface: Surface) -> Check:
    """Check the scale chosen for a response. Table: ``power``, ``low``, ``high`` (99 %), ``chosen``.

    Parameters
    ----------
    surface : Surface
        Fitted on another scale than the one measured on.

    Returns
    -------
    Check
        Without verdict for shares, whose scale is no power.
    """
    scale, title = surface.scale, surface.stated.title
    if scale.kind == "share":
        return no_verdict(
            "scale",
            f"{surface.response.title.capitalize()} is fitted since {title} has bounds; powers are no matter there.",
        )
    y = scale.back(surface.observations["value"].to_numpy(dtype=float))
    groups = () if surface.mixed is None else map(indicator, surface.mixed.groups)
    design = np.column_stack([surface.design, *groups])
    found = box_cox(design, y, confidence=1 - STRIKING, residual_df=surface.residual_df)
    row = {
        "power": found.power,
        "low": found.low,
        "high": found.high,
        "chosen": scale.power,
    }
    suits = found.low <= scale.power <= found.high
    said = f"No other power of {title} fits clearly better than the {scale.spoken} that it is fitted as."
    if not suits:
        remedy = 'change scale under this response, or let it be found: scale = "power"'
        if found.low <= 1 <= found.high:
            remedy = "as measured it fits well: delete scale under this response"
        said = (
            f"{title[:1].upper()}{title[1:]} is fitted as its {scale.spoken}, but its power {rounded(found.power)} (99 % interval "
            f"{rounded(found.low)} to {rounded(found.high)}) fits clearly better. Limits are too narrow at one end of the range and too wide "
            f"at the other; {remedy}."
        )
    return verdict("scale", suits, pd.DataFrame([row]), said)
