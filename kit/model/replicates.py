"""Whether prints of one setting were really made anew, or side by side."""

from __future__ import annotations

from math import lgamma

import numpy as np
import pandas as pd

from kit.model.check import STRIKING, Check, no_verdict, verdict
from kit.model.surface import Surface


def replicates_check(surface: Surface) -> Check:
    """Check that prints of one setting did not all follow straight upon one another.

    Prints made in one go share warm nozzle, air and spool stretch, and may be sections of one print; then they agree
    better than prints made anew, and lack of fit and scatter are judged too sharply.

    Parameters
    ----------
    surface : Surface
        As fitted.

    Returns
    -------
    Check
        Table: ``repeated`` (settings printed more than once), ``apart`` (neighbours in print order of one
        setting fall in other places), ``chance`` (that a random order puts all of them together).
    """
    table = surface.observations.sort_values("print_order", kind="stable")
    cells = table["cell"].to_numpy()
    _, counts = np.unique(cells, return_counts=True)
    repeated = counts[counts > 1]
    if not len(repeated):
        return no_verdict("replicates", "No setting was printed more than once.")
    stretches = 1 + int(np.sum(cells[1:] != cells[:-1]))
    together = stretches == len(counts)
    # Arrangements with every setting in one stretch, over all arrangements of the prints.
    log_chance = (
        lgamma(len(counts) + 1) + sum(lgamma(c + 1) for c in counts) - lgamma(len(cells) + 1)
    )
    chance = float(np.exp(log_chance))
    row = {"repeated": len(repeated), "apart": stretches - len(counts), "chance": chance}
    frame = pd.DataFrame([row])
    if together and chance < STRIKING:
        return verdict(
            "replicates",
            False,
            frame,
            "Prints of one setting always followed straight upon one another. If they are pieces of one print, or were made "
            "without setting the printer anew, they agree better than new prints will: the scatter comes out too small and "
            "a lack of fit too clear. Write such pieces as specimens of one run, or print them again in random order.",
        )
    return verdict(
        "replicates", True, frame, "Prints of one setting were spread over the print order."
        if row["apart"] else "Prints of one setting stood side by side as a random order may put them.",
    )  # fmt: skip
