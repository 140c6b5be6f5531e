"""How the readings of the demo study about measuring were made; run as a script it writes them anew.

Everything comes from study.toml and truth.toml and generators seeded with the study's seed.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from kit.design.gauge_plan import gauge_quantity, plan_gauge
from kit.design.order import specimen_label
from kit.rehearse import BAR_SD_MM, BAR_THICKNESS_MM, BAR_WIDTH_MM, Truth
from kit.rehearse_bench import CurveTruth, GaugeTruth, InstrumentTruth
from kit.report.plan import new_plan
from kit.study.read import read_study
from kit.study.tables import table_text

FOLDER = Path(__file__).parents[1] / "data" / "how-we-measure"
GAUGE_SEED, REFERENCE_SEED, PRINT_SEED = 21, 12, 13
"""Added to the study's seed."""


def files_of(folder: Path = FOLDER) -> dict[str, str]:
    """Make the texts of all simulated files, by their path in the study."""
    study = read_study(folder)
    truth = tomllib.loads((folder / "truth.toml").read_text(encoding="utf-8"))
    runs, readings, curves = _prints(study, truth)
    return {
        "gauge.csv": table_text(_gauge(study, truth["gauge"])),
        "references.csv": table_text(_references(study.seed, truth["instrument"])),
        "runs.csv": table_text(runs),
        "readings.csv": table_text(readings),
        **curves,
    }


def _gauge(study: Any, truths: dict[str, Any]) -> pd.DataFrame:
    rng = np.random.default_rng(study.seed + GAUGE_SEED)
    parts = []
    for name, described in truths.items():
        size = {key: described[key] for key in ("operators", "parts", "repeats")}
        plan = plan_gauge(gauge_quantity(study, name), rng, **size)
        truth = GaugeTruth(**{k: v for k, v in described.items() if k not in size})
        parts.append(truth.read(plan, rng))
    return pd.concat(parts, ignore_index=True)


def _references(seed: int, truths: dict[str, Any]) -> pd.DataFrame:
    rng = np.random.default_rng(seed + REFERENCE_SEED)
    parts = []
    for name, described in truths.items():
        keys = ("references", "repeats", "unit", "u_true")
        given = {key: described[key] for key in keys}
        truth = InstrumentTruth(**{k: v for k, v in described.items() if k not in keys})
        parts.append(truth.read_references(name, given.pop("references"), rng, **given))
    return pd.concat(parts, ignore_index=True)


CALIPER, GLOSSMETER = "long caliper", "pocket glossmeter"


def _prints(study: Any, truth: dict[str, Any]) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, str]]:
    """Print the plan and measure it with the instruments of truth.toml."""
    rng = np.random.default_rng(study.seed + PRINT_SEED)
    runs = new_plan(study).runs.assign(status="printed")
    truths = {name: Truth(**fields) for name, fields in truth["truth"].items()}
    true = {
        name: found.mean(study, runs) + rng.normal(0, found.print_sd, len(runs))
        for name, found in truths.items()
    }
    rows: list[dict[str, Any]] = []
    curves: dict[str, str] = {}
    for place, run in enumerate(runs["run"]):
        for number in range(study.specimen.specimens_per_print):
            piece = {"run": run, "specimen": specimen_label(number)}
            values = {n: true[n][place] + rng.normal(0, t.specimen_sd) for n, t in truths.items()}
            rows += [
                {**piece, **reading} for reading in _readings(study, truth, truths, values, rng)
            ]
            section = rng.normal([BAR_WIDTH_MM, BAR_THICKNESS_MM], BAR_SD_MM)
            for name, size in zip(("width", "thickness"), section, strict=True):
                shown = _instrument(truth, CALIPER).show(np.array([size]), rng)[0]
                rows.append(
                    {
                        **piece,
                        "quantity": name,
                        "value": shown,
                        "unit": "mm",
                        "repeat": 1,
                        "instrument": CALIPER,
                    }
                )
            bar = CurveTruth(values["modulus"], values["strength"], **truth["curve"])
            recorded = bar.record(*section, study.response_named("strength").span, rng)
            curves[f"curves/{run}-{piece['specimen']}.csv"] = _curve_text(recorded)
    table = pd.DataFrame(rows)
    for column in ("operator", "instrument"):
        table[column] = table[column].fillna("")
    return runs, table.assign(excluded="", note=""), curves


def _readings(
    study: Any, truth: dict[str, Any], truths: dict[str, Truth], values: dict[str, float], rng: Any
) -> list[dict[str, Any]]:
    rows = []
    for response in study.responses:
        value = values[response.name]
        if response.recipe == "dimension":
            shown = _instrument(truth, CALIPER).show(np.full(2, response.nominal + value), rng)
            rows += [_reading(response, v, i + 1, instrument=CALIPER) for i, v in enumerate(shown)]
        elif response.recipe == "gloss":
            spots = value + rng.normal(0, truths[response.name].reading_sd, 3)
            shown = _instrument(truth, GLOSSMETER).show(spots, rng)
            rows += [
                _reading(response, v, i + 1, instrument=GLOSSMETER) for i, v in enumerate(shown)
            ]
        elif response.recipe == "score":
            for rater, more in truth["raters"].items():
                felt = value + more + rng.normal(0, truths[response.name].reading_sd)
                rows.append(
                    _reading(response, float(np.clip(np.round(felt), 0, 5)), 1, operator=rater)
                )
    return rows


def _reading(response: Any, value: float, repeat: int, **more: str) -> dict[str, Any]:
    return {
        "quantity": response.name,
        "value": value,
        "unit": response.unit,
        "repeat": repeat,
        **more,
    }


def _instrument(truth: dict[str, Any], name: str) -> InstrumentTruth:
    keys = ("constant", "slope", "repeat_sd", "decimals")
    return InstrumentTruth(**{k: v for k, v in truth["instrument"][name].items() if k in keys})


def _curve_text(recorded: pd.DataFrame) -> str:
    """Write a curve as a rig with a German display does: semicolons and decimal commas."""
    names = {"time": "Time [s]", "travel": "Travel [mm]", "force": "Force [N]"}
    return recorded.rename(columns=names).to_csv(
        index=False, sep=";", decimal=",", lineterminator="\n"
    )


if __name__ == "__main__":
    for name, text in files_of().items():
        path = FOLDER / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
