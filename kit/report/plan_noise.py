"""What is known of the scatter before a plan is printed: stated, from prints made alike, or from the gauge study."""

from __future__ import annotations

from math import inf

import pandas as pd

from kit.bench.instruments import specimen_results
from kit.bench.measured import Measured
from kit.design.noise import Noise, pooled_noise
from kit.errors import KitError
from kit.model.gauge import analyse_gauge
from kit.study.data import StudyData

STATED, PILOT, GAUGE = "as stated in study.toml", "prints made alike", "the gauge study"


def study_noises(data: StudyData) -> tuple[dict[str, Noise], dict[str, Measured]]:
    """Find the scatter of each response.

    Parameters
    ----------
    data : StudyData
        The study taken in.

    Returns
    -------
    noises : dict of response name to Noise
        ``scatter`` of the response where stated, else from prints at the same settings in one block, else the
        scatter of measuring alone, which is a floor. Responses of which nothing is known are left out.
    measured : dict of response name to Measured
        Results so far.
    """
    measured = _measured(data)
    found: dict[str, Noise] = {}
    for response in data.study.responses:
        name = response.name
        if response.scatter is not None:
            found[name] = Noise(response.scatter, inf, STATED)
            continue
        noise = _from_prints(data, measured[name]) if name in measured else None
        noise = noise or _from_gauge(data, name)
        if noise is not None:
            found[name] = noise
    return found, measured


def _measured(data: StudyData) -> dict[str, Measured]:
    try:
        return dict(specimen_results(data)) if len(data.readings) else {}
    except KitError:  # the report on the readings says what is wrong with them
        return {}


def _from_prints(data: StudyData, measured: Measured) -> Noise | None:
    names = [f"{name}_actual" for name in data.study.coding.names]
    runs = data.runs.assign(run=data.runs["run"].astype(str)).set_index("run")
    prints = measured.prints.assign(run=measured.prints["run"].astype(str))
    rows = runs.loc[prints["run"], ["block", *names]]
    cells = [tuple(row) for row in rows.itertuples(index=False)]
    noise = pooled_noise(prints["value"].to_numpy(dtype=float), cells, PILOT)
    if noise is None:
        return None
    count = pd.Series(cells).value_counts()
    return Noise(noise.sd, noise.df, f"{int(count[count > 1].sum())} {PILOT}")


def _from_gauge(data: StudyData, name: str) -> Noise | None:
    if data.gauge is None or "quantity" not in data.gauge:
        return None
    mine = data.gauge[(data.gauge["quantity"] == name) & (data.gauge["excluded"] == "")]
    if mine.empty:
        return None
    try:
        gauge = analyse_gauge(mine)
    except KitError:
        return None
    sd = gauge.measuring_sd
    return Noise(sd, inf, f"{GAUGE}: measuring alone, prints scatter more") if sd > 0 else None
