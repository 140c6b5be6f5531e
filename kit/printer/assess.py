"""What this printer can do: reach, melting, layer time, mass and print time, before anything is printed.

`assess_prints` judges every run of a plan; the physics is in `kit.printer.physics` and can be had from here.
What `study.toml` does not say is left out, never guessed, and the assessment says what to add.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.printer.physics import (
    MeltLimit,
    effective_speed,
    filament_length_m,
    layer_time_s,
    line_cross_section,
    mass_g,
    melt_limit_at,
    move_time_s,
    peak_speed,
    plain,
    print_time_min,
    share_at_speed,
    throughput,
)
from kit.printer.remarks import (
    FINE,
    LOOK_TWICE,
    NOT_POSSIBLE,
    SAME_SPEED,
    Remark,
    list_runs,
    plan_findings,
    print_path_mm,
    run_remarks,
    same_treatments,
)
from kit.study.description import Study
from kit.terms import FloatArray
from kit.words import capital, conversion

DASH = "\N{EN DASH}"


@dataclass(frozen=True)
class PrintAssessment:
    """What the printer is expected to do with every run of a plan.

    Attributes
    ----------
    table : DataFrame
        One row a run, index as the settings had it: ``run``, ``peak_speed_mm_s``, ``share_at_speed``,
        ``throughput_mm3_s``, ``melt_limit_mm3_s``, ``layer_time_s``, ``effective_speed_mm_s``,
        ``minutes``, ``grams``, ``metres``, ``verdict`` (fine | look twice | not possible: cannot be
        printed as set), ``sentence``. What cannot be known is missing (not a number).
    findings : tuple of str
        What concerns the plan as a whole, the gravest first.
    missing : tuple of str
        What to add to ``study.toml`` so that more can be judged.
    totals : str
        Grams, metres and hours of the plan in one sentence; empty if nothing is known.
    """

    table: pd.DataFrame
    findings: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    totals: str = ""

    @property
    def possible(self) -> npt.NDArray[np.bool_]:
        """Whether each run can be printed as set, shape (n,)."""
        return (self.table["verdict"] != NOT_POSSIBLE).to_numpy(copy=True)

    @property
    def verdicts(self) -> tuple[str, ...]:
        """The verdicts in words, runs with the same one in one line; those to look at are all named."""
        alike: dict[tuple[str, str], list[str]] = {}
        for row in self.table.to_dict("records"):
            alike.setdefault((row["verdict"], row["sentence"]), []).append(str(row["run"]))
        said = []
        for (verdict, sentence), runs in alike.items():
            who = list_runs(runs)
            if len(alike) == 1 < len(runs):
                who = f"All {len(runs)} runs"
            elif verdict != FINE and len(runs) > 1:
                who = f"Runs {', '.join(runs)}"
            said.append(f"{who}: {verdict}. {sentence}")
        return tuple(said)

    @property
    def lines(self) -> tuple[str, ...]:
        """The verdicts, and the totals where they are known."""
        return (*self.verdicts, self.totals) if self.totals else self.verdicts

    def _repr_html_(self) -> str:
        said = [*self.findings, self.totals, *self.missing]
        lines = "".join(f"<li>{escape(s)}</li>" for s in said if s)
        return f"<ul>{lines}</ul>" + self.table.to_html(
            index=False, na_rep=DASH, float_format=plain
        )


@dataclass
class _Reasons:
    """What is missing in the description, by what it hides."""

    texts: dict[str, str] = field(default_factory=dict)

    def add(self, what: str, remedy: str) -> None:
        self.texts.setdefault(what, remedy)


def assess_prints(study: Study, settings: pd.DataFrame) -> PrintAssessment:
    """Judge what the printer will do with each run, and with the plan.

    Parameters
    ----------
    study : Study
        Printer card, spool and specimen. ``[specimen]`` describes one specimen; a print holds
        ``specimens_per_print`` of them, side by side in every layer.
    settings : DataFrame
        One row a run, a column a factor in natural units; an optional ``run`` names the runs.

    Returns
    -------
    PrintAssessment
        Verdicts in words a run, findings for the plan, and what to add to ``study.toml``.

    Notes
    -----
    Of several factors of one kind the first counts for the physics; hard stops are held against all.
    Reach is judged on the stated straight, the longest one: on shorter ones less is reached. Melt
    throughput is taken at the speed really reached there. Heating, purge and skirt are not included.
    """
    settings = settings.copy()
    if "run" not in settings:
        settings.insert(0, "run", [str(i + 1) for i in range(len(settings))])
    reasons = _Reasons()
    table, notes = _figures(study, settings, reasons)
    remarks = [
        run_remarks(study, row, figures)
        for row, figures in zip(_rows(settings), _rows(table), strict=True)
    ]
    table["verdict"] = [_verdict(r) for r in remarks]
    table["sentence"] = [_sentence(r, reasons) for r in remarks]
    findings = [
        *plan_findings(remarks, list(table["run"])),
        *same_treatments(study, settings, table),
    ]
    return PrintAssessment(
        table, tuple(findings + notes), tuple(reasons.texts.values()), _totals(table)
    )


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in table.to_dict("records")]


def _of_kind(study: Study, settings: pd.DataFrame, kind: str, unit: str) -> FloatArray | None:
    """Give the settings of the first factor of a kind, in ``unit``; None when there is none."""
    for factor in study.factors:
        if factor.kind == kind:
            scale = conversion(factor.unit, unit) if factor.unit else 1.0
            return settings[factor.name].to_numpy(dtype=float) * (scale or 1.0)
    return None


def _figures(
    study: Study, settings: pd.DataFrame, reasons: _Reasons
) -> tuple[pd.DataFrame, list[str]]:
    """Compute the columns of the assessment; what is unknown becomes not-a-number and a reason."""
    n, printer = len(settings), study.printer
    unknown = np.full(n, np.nan)
    speed = _of_kind(study, settings, "speed", "mm/s")
    if speed is None:
        speed = unknown
        reasons.add(
            "speed",
            "Speed is no factor of this study, so reach, throughput and time are not judged.",
        )
    height = _of_kind(study, settings, "layer_height", "mm")
    height = np.full(n, printer.layer_height) if height is None else height
    flow = _of_kind(study, settings, "flow", "%")
    flow = np.ones(n) if flow is None else flow / 100
    table = pd.DataFrame({"run": settings["run"].astype(str)}, index=settings.index)
    slowed = _slowed(study, speed, reasons)
    peak, share = _reach(study, speed, reasons)
    share = np.where(slowed < (1 - SAME_SPEED) * speed, np.minimum(share, 0.0), share)
    effective = np.fmin(slowed, peak)
    section = line_cross_section(printer.line_width, height) * flow
    if printer.layer_height > printer.line_width:
        text = (
            "line_width is less than layer_height in [printer]; no line has that shape: check both."
        )
        reasons.add("cross-section", text)
    temperature = _of_kind(study, settings, "nozzle_temperature", "degC")
    limit, notes = _melt_limits(printer.melt_limit, unknown if temperature is None else temperature)
    if printer.melt_limit is None:
        reasons.add(
            "melt limit",
            "Add melt_limit (mm3/s) to [printer] to judge whether the hot end keeps up.",
        )
    table["peak_speed_mm_s"], table["share_at_speed"] = peak, share
    table["throughput_mm3_s"], table["melt_limit_mm3_s"] = throughput(section, effective), limit
    table["layer_time_s"] = _layer_times(study, slowed)
    table["effective_speed_mm_s"] = effective
    layers = np.ceil((study.specimen.layers or np.nan) * printer.layer_height / height - 1e-9)
    grams = _grams(study, section, layers, flow, reasons)
    table["minutes"] = print_time_min(layers, table["layer_time_s"])
    table["grams"] = grams
    table["metres"] = filament_length_m(
        grams, study.material.density, study.material.filament_diameter
    )
    return table, notes


def _slowed(study: Study, speed: FloatArray, reasons: _Reasons) -> FloatArray:
    path = print_path_mm(study)
    if path is None:
        reasons.add("layer time", "Add path_per_layer (mm) to [specimen] to judge the layer time.")
        return np.array(speed)
    return effective_speed(speed, path, study.specimen.min_layer_time)


def _reach(study: Study, speed: FloatArray, reasons: _Reasons) -> tuple[FloatArray, FloatArray]:
    printer, straight = study.printer, study.straight_path
    lacking = [
        text
        for text, value in (
            ("acceleration (mm/s2) to [printer]", printer.acceleration),
            ("straight_path (mm) to [specimen]", straight),
        )
        if value is None
    ]
    if printer.acceleration is None or straight is None:
        reasons.add(
            "reach", f"Add {' and '.join(lacking)} to judge whether the set speeds are reached."
        )
        return np.full(len(speed), np.nan), np.full(len(speed), np.nan)
    card = (printer.corner_speed, printer.acceleration, straight)
    share = np.where(np.isfinite(speed), share_at_speed(speed, *card), np.nan)
    return peak_speed(speed, *card), share


def _layer_times(study: Study, slowed: FloatArray) -> FloatArray:
    """Give the time a layer takes: along its straights if they are known, never below the minimum."""
    path, straight, printer = print_path_mm(study), study.straight_path, study.printer
    if path is None:
        return np.full(len(slowed), np.nan)
    if printer.acceleration is None or straight is None:
        times = layer_time_s(path, slowed)
    else:
        one = move_time_s(slowed, printer.corner_speed, printer.acceleration, straight)
        times = path / straight * one
    return np.maximum(times, study.specimen.min_layer_time)


def _melt_limits(limit: MeltLimit, temperature: FloatArray) -> tuple[FloatArray, list[str]]:
    found = [melt_limit_at(limit, float(t)) for t in temperature]
    notes = list(dict.fromkeys(note for _, note in found if note))
    return np.array([np.nan if v is None else v for v, _ in found], dtype=float), notes


def _grams(
    study: Study, section: FloatArray, layers: FloatArray, flow: FloatArray, reasons: _Reasons
) -> FloatArray:
    """Give the mass of each print: as stated, from the volume, or from path and cross-section."""
    specimen, density = study.specimen, study.material.density
    path = print_path_mm(study)
    if path is None or specimen.layers is None:
        lacking = [
            n for n, v in (("path_per_layer (mm)", path), ("layers", specimen.layers)) if v is None
        ]
        reasons.add("time", f"Add {' and '.join(lacking)} to [specimen] to foretell print times.")
    if specimen.mass is not None:
        return flow * specimen.mass * specimen.specimens_per_print
    if specimen.volume is not None:
        return flow * mass_g(specimen.volume, density) * specimen.specimens_per_print
    if path is not None and specimen.layers is not None:
        return mass_g(section * path * layers / 1000, density)
    reasons.add(
        "mass", "Add mass (g) or volume (cm3) to [specimen] to foretell the filament needed."
    )
    return np.full(len(section), np.nan)


def _verdict(remarks: Sequence[Remark]) -> str:
    found = {r.verdict for r in remarks}
    return next((v for v in (NOT_POSSIBLE, LOOK_TWICE) if v in found), FINE)


def _sentence(remarks: Sequence[Remark], reasons: _Reasons) -> str:
    if remarks:
        return " ".join(capital(r.text) for r in remarks)
    if not reasons.texts:
        return "Nothing speaks against it."
    return f"Nothing speaks against it as far as known; not judged: {', '.join(reasons.texts)}."


def _totals(table: pd.DataFrame) -> str:
    """Sum up what the plan costs, in one sentence."""
    parts = []
    if len(table) and table["grams"].notna().all():
        parts.append(
            f"{plain(table['grams'].sum())} g ({plain(table['metres'].sum())} m) of filament"
        )
    if len(table) and table["minutes"].notna().all():
        parts.append(f"{plain(table['minutes'].sum() / 60)} h of printing")
    if not parts:
        return ""
    return f"{len(table)} prints take about {' and '.join(parts)}; heating, purge, skirt and handling come on top."
