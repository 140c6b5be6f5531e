"""The study as the user described it: frozen, validated, in natural units.

`kit.study.read` turns ``study.toml`` into a `Study` and finds all problems; this module only says which
sections and keys there are, what they mean and their defaults. Nothing in a study is ever evaluated.
"""

from __future__ import annotations

import datetime
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from kit.terms import CodedFactor, Coding

FactorKindName = Literal[
    "nozzle_temperature",
    "bed_temperature",
    "speed",
    "fan_duty",
    "layer_height",
    "flow",
    "category",
    "other",
]
Recipe = Literal[
    "dimension", "gloss", "three_point_bending", "tensile", "score", "pass_fail", "direct"
]
PASS_FAIL = "pass_fail"
COMES_OUT = "comes_out"
"""Name under which it counts whether a print comes out at all, where failed prints count."""
StrengthProperty = Literal[
    "strength", "modulus", "yield_stress", "strain_at_strength", "strain_at_break"
]
Family = Literal[
    "full_factorial",
    "fractional_factorial",
    "plackett_burman",
    "definitive_screening",
    "central_composite",
    "box_behnken",
    "optimal",
    "split_plot",
    "height_stacked",
    "small_steps",
]


class Section(BaseModel):
    """Base of all sections: frozen, no unknown keys, finite numbers only."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Material(Section):
    """The spool."""

    name: str = ""
    polymer: str = ""
    colour: str = ""
    stated_range: tuple[float, float] | None = None  # degC, as printed on the spool
    filament_diameter: float = Field(default=1.75, gt=0.5, lt=5)  # mm
    density: float = Field(default=1.24, gt=0.5, lt=10)  # g/cm3
    abrasive: bool = False


class Printer(Section):
    """The printer card: geometry, motion, melting and hard stops."""

    name: str = ""
    nozzle_diameter: float = Field(default=0.4, gt=0.05, lt=3)  # mm
    layer_height: float = Field(default=0.2, gt=0.01, lt=3)  # mm
    line_width: float = Field(default=0.45, gt=0.05, lt=5)  # mm
    acceleration: float | None = Field(
        default=None, gt=0, lt=200_000
    )  # mm/s2; None = reach not judged
    corner_speed: float = Field(default=8.0, ge=0, lt=200)  # mm/s, speed kept through corners
    melt_limit: float | tuple[tuple[float, float], ...] | None = (
        None  # mm3/s, or (degC, mm3/s) pairs
    )
    nozzle_max: float | None = Field(default=None, gt=100, lt=600)  # degC, hard stop
    bed_max: float | None = Field(default=None, gt=20, lt=250)  # degC, hard stop
    heating_rate: float | None = Field(default=None, gt=0, lt=100)  # degC/s, of the nozzle
    thermometer_offset: float = Field(
        default=10.0, ge=0, lt=60
    )  # degC, 95 % of other printers differ by less
    straight_path: float | None = Field(default=None, gt=0)  # mm; [specimen] wins when both give it

    def hard_stop(self, kind: str) -> tuple[str, float] | None:
        """Give the key and value of the limit that no setting of this kind may pass; None where none is stated."""
        key = {"nozzle_temperature": "nozzle_max", "bed_temperature": "bed_max"}.get(kind)
        value = getattr(self, key) if key else None
        return None if value is None else (str(key), float(value))


class Specimen(Section):
    """The printed piece."""

    straight_path: float | None = Field(
        default=None, gt=0
    )  # mm, the longest straight the nozzle runs
    path_per_layer: float | None = Field(default=None, gt=0)  # mm
    layers: int | None = Field(default=None, gt=0)
    min_layer_time: float = Field(default=0.0, ge=0, lt=600)  # s
    mass: float | None = Field(default=None, gt=0)  # g
    volume: float | None = Field(default=None, gt=0)  # cm3
    specimens_per_print: int = Field(default=1, ge=1, le=200)
    orientation: str = ""  # in plain words: "flat", "upright", ...


class Factor(Section):
    """What is varied."""

    name: str
    kind: FactorKindName = "other"
    unit: str = ""
    low: float | None = None  # coded -1
    high: float | None = None  # coded +1
    step: float | None = Field(default=None, gt=0)  # what the printer or the user can set
    min: float | None = None  # hard limits that axial points may not pass
    max: float | None = None
    levels: tuple[str, ...] = ()
    hard_to_change: bool = False

    @property
    def is_category(self) -> bool:
        """Whether the factor has named levels instead of a scale."""
        return self.kind == "category"

    @property
    def coded(self) -> CodedFactor:
        """How it is coded."""
        if self.is_category:
            return CodedFactor(self.name, levels=self.levels)
        assert self.low is not None  # the reader checked both
        assert self.high is not None
        return CodedFactor(self.name, self.low, self.high)


class Response(Section):
    """What is measured, and what is required of it."""

    model_config = ConfigDict(populate_by_name=True, **Section.model_config)

    name: str
    unit: str = ""
    recipe: Recipe = Field(default="direct", validation_alias="from", serialization_alias="from")
    lower: float | None = None
    upper: float | None = None
    target: float | None = None
    weight: float = Field(default=1.0, gt=0)  # importance in desirability
    plausible: tuple[float, float] | None = (
        None  # of readings; for a dimension: of the size as read
    )
    nominal: float | None = None  # dimension: the drawn size, in the response's unit
    span: float | None = Field(default=None, gt=0)  # bending: distance of the supports, mm
    geometry: Literal[20, 60, 85] = 60  # gloss: angle, degrees
    strength_property: StrengthProperty = Field(
        default="strength", validation_alias="property", serialization_alias="property"
    )  # bending, tension: what is read off the force-extension curve
    feature: Literal["", "x", "y", "z", "hole", "wall"] = ""  # dimension: what kind of size it is
    spread: tuple[str, ...] = ()  # factors whose setting changes how much prints scatter
    limit_of_scale: float | None = (
        None  # where the instrument ends: readings from here on count as "at least", in the unit
    )
    scatter: float | None = Field(default=None, gt=0)  # SD between prints made alike, in the unit
    margin: float | None = Field(default=None, gt=0)  # equivalence margin, in the response's unit
    label: str = ""  # in print; the name with blanks when empty
    scale: Literal["as_measured", "log", "power", "share"] | float = (
        "as_measured"  # on which it is fitted; a number is a power
    )
    bounds: tuple[float, float] | None = None  # share: the ends that no value can pass

    @property
    def title(self) -> str:
        """Name for pages and axes."""
        return self.label or self.name.replace("_", " ")

    @property
    def share_bounds(self) -> tuple[float, float]:
        """Ends of a share: as written, else 0 to 100 for a percentage and 0 to 1 for a plain number."""
        return self.bounds or ((0.0, 100.0) if self.unit == "%" else (0.0, 1.0))

    @property
    def passes_or_fails(self) -> bool:
        """Whether a part passes or fails it, with nothing in between."""
        return self.recipe == PASS_FAIL

    @property
    def has_limits(self) -> bool:
        """Whether there is a requirement that a part can fail."""
        return self.lower is not None or self.upper is not None


class Design(Section):
    """Which runs to print."""

    family: Family = "full_factorial"
    centre_points: int | None = Field(default=None, ge=0, le=100)
    runs: int | None = Field(default=None, ge=1, le=2000)  # exact total, centre points included
    replicates: int = Field(default=1, ge=1, le=50)
    blocks: int = Field(default=1, ge=1, le=50)
    axial: Literal["face", "rotatable"] | float = "face"
    criterion: Literal["D", "I"] = "I"
    changes: int | None = Field(default=None, ge=1)  # of the hard-to-change factors
    limits: tuple[str, ...] = ()  # linear, parsed, never evaluated
    feasible: bool = False
    level_order: Literal["mixed", "rising", "falling"] = "mixed"  # of height-stacked levels
    insist: bool = False  # print a rising or falling order all the same


class ModelChoice(Section):
    """Which model is fitted."""

    terms: Literal["main", "interactions", "second_order"] | tuple[str, ...] = "second_order"
    selection: Literal["none", "aicc"] = "none"  # whether the prints themselves choose among them
    blocks: Literal["auto", "fixed", "random", "none"] = "auto"
    random: tuple[
        str, ...
    ] = ()  # further columns of runs.csv that name groups: spool, printer, day


class WindowChoice(Section):
    """How sure the maker wants to be."""

    confidence: float = Field(default=0.90, gt=0, lt=1)
    other_printers: bool = False
    failed_prints: bool = False  # true: a print that fails counts as not meeting the requirements
    weights: dict[str, float] = Field(
        default_factory=dict
    )  # by factor: how much a wide range counts


class Adopt(Section):
    """Somebody else's study whose settings are carried over to this printer."""

    donor: str = ""  # their study folder, seen from this one
    thermometer: float | None = Field(
        default=None, gt=-60, lt=60
    )  # degC that this nozzle is hotter than the donor's at the same indication, by an independent thermometer
    thermometer_sd: float = Field(
        default=3.0, gt=0, lt=60
    )  # degC, standard uncertainty of that check
    bias: float = Field(
        default=2.0, ge=0, lt=100
    )  # SD of other differences between printers, in SDs of a print; common practice, no source


class Curves(Section):
    """How the force-extension curves in ``curves/`` are written, and the rig they come from."""

    force: str = "force"  # column names, as the files have them
    extension: str = "extension"
    time: str = ""  # empty = no such column
    force_unit: Literal["N", "kN", "kgf", "kg", "g"] = "N"
    extension_unit: Literal["mm", "um", "cm"] = "mm"
    skip_lines: int = Field(default=0, ge=0, le=1000)  # before the row that names the columns
    gauge_length: float | None = Field(default=None, gt=0)  # tension: mm, strain = extension / it
    force_limit: float | None = Field(default=None, gt=0)  # N, where the load cell or scale ends
    compliance: float = Field(default=0.0, ge=0)  # mm/N that the rig itself gives way
    instrument: str = ""  # the load cell's name, as references.csv has it
    test: Literal["", "three_point_bending", "tensile"] = ""  # where the study has both


class Study(Section):
    """One campaign: everything ``study.toml`` says, validated."""

    title: str
    question: str = ""
    scope: str = ""  # what the parts are for; empty = "scope not stated"
    date: datetime.date | None = None  # when it was printed, for the published page
    authors: tuple[str, ...] = ()  # who may be named in citations
    licence: str = ""  # of the published data, such as "CC-BY-4.0"
    withdrawn: str = ""  # why nobody should use these settings any more
    seed: int = Field(default=1, ge=0, lt=2**63)
    material: Material = Material()
    printer: Printer = Printer()
    specimen: Specimen = Specimen()
    factor: tuple[Factor, ...] = Field(min_length=1)
    response: tuple[Response, ...] = Field(min_length=1)
    design: Design = Design()
    model: ModelChoice = ModelChoice()
    window: WindowChoice = WindowChoice()
    curves: Curves = Curves()
    adopt: Adopt = Adopt()

    @property
    def factors(self) -> tuple[Factor, ...]:
        """The factors in the order of the file."""
        return self.factor

    @property
    def responses(self) -> tuple[Response, ...]:
        """The responses in the order of the file."""
        return self.response

    @property
    def coding(self) -> Coding:
        """How the factors are coded."""
        return Coding(tuple(f.coded for f in self.factor))

    @property
    def straight_path(self) -> float | None:
        """The specimen's straight in mm, wherever it was written."""
        return self.specimen.straight_path or self.printer.straight_path

    @property
    def random_blocks(self) -> bool:
        """Whether blocks enter as random effects (``auto`` resolved)."""
        if self.model.blocks == "auto":
            hard = any(f.hard_to_change for f in self.factor)
            return hard or self.design.family == "split_plot"
        return self.model.blocks == "random"

    @property
    def planned_terms(self) -> str | tuple[str, ...]:
        """The model's terms: as written, else what the family of the plan can support."""
        if "terms" in self.model.model_fields_set:
            return self.model.terms
        family = self.design.family
        if family == "plackett_burman":
            return "main"
        if family == "small_steps":
            return "interactions"
        if family == "definitive_screening":
            squares = [f"{f.name}^2" for f in self.factor if not f.is_category]
            return (*(f.name for f in self.factor), *squares)
        return self.model.terms

    def with_planned_terms(self) -> Study:
        """Give the study with its model's terms filled in, still marked as not written by the user."""
        if self.planned_terms == self.model.terms:
            return self
        model = ModelChoice.model_construct(
            _fields_set=set(self.model.model_fields_set),
            **{**dict(self.model), "terms": self.planned_terms},
        )
        return self.model_copy(update={"model": model})

    def factor_named(self, name: str) -> Factor:
        """Give the factor of that name.

        Returns
        -------
        Factor

        Raises
        ------
        KeyError
            If there is none.
        """
        for factor in self.factor:
            if factor.name == name:
                return factor
        raise KeyError(name)

    def response_named(self, name: str) -> Response:
        """Give the response of that name.

        Returns
        -------
        Response

        Raises
        ------
        KeyError
            If there is none.
        """
        for response in (*self.response, *self.judged):
            if response.name == name:
                return response
        raise KeyError(name)

    @property
    def judged(self) -> tuple[Response, ...]:
        """What one part must meet: the responses with limits and, where failed prints count, that it comes out."""
        limited = tuple(r for r in self.response if r.has_limits)
        if not self.window.failed_prints:
            return limited
        return (*limited, Response(name=COMES_OUT, recipe="pass_fail", lower=1.0, label="print"))
