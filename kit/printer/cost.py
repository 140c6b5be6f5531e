"""What prints cost, for many settings at once: minutes and grams, without a verdict on each."""

from __future__ import annotations

import pandas as pd

from kit.printer.assess import _figures, _Reasons
from kit.study.description import Study


def print_cost(study: Study, settings: pd.DataFrame) -> pd.DataFrame:
    """Foretell minutes and grams of one print at each setting.

    Parameters
    ----------
    study : Study
        Printer card, spool and specimen.
    settings : DataFrame
        One row a setting, a column a factor in natural units.

    Returns
    -------
    DataFrame
        ``minutes`` and ``grams``, index as the settings had it; missing where the study does not say enough.
    """
    named = settings[[f.name for f in study.factors]].copy()
    named.insert(0, "run", "")
    table, _ = _figures(study, named, _Reasons())
    return table[["minutes", "grams"]]
