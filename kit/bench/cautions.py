"""Cautions: what can hurt someone in a study of test prints, said where it applies.

The wording is the kit's own; what to warn of is usual practice in workshops and follows the order of
measures in NIOSH publication 2024-103, Approaches to Safe 3D Printing. A caution never replaces the
manual of a machine, local codes or licensed practice, and says so.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import pandas as pd

from kit.study.description import Study
from kit.study.quantities import RECIPE_INPUTS

HOT_NOZZLE = 240.0
"""degC; above it fumes and linings need care; common practice, no source."""
FUMING = (
    "abs",
    "asa",
    "pa",
    "pa6",
    "pa12",
    "nylon",
    "pc",
    "polycarbonate",
    "hips",
    "ps",
    "sbs",
    "pom",
    "pvc",
    "peek",
    "pei",
)
"""Polymers known for strong fumes or needing hot nozzles; common practice, no source."""
FILLED = (
    "cf",
    "gf",
    "fibre",
    "fiber",
    "carbon",
    "glass",
    "wood",
    "metal",
    "bronze",
    "steel",
    "stone",
    "glow",
)
"""Words in a spool's name that tell of fillers."""
EVERYWHERE = ("sheet", "measuring", "strength", "page", "plan", "snippet")

OUT_OF_SCOPE = (
    "parts that carry loads over people, climbing or lifting gear, pressure, vehicles' safety, medical use, "
    "contact with food, toys for small children, and housings for mains voltage"
)


@dataclass(frozen=True)
class Caution:
    """One caution.

    Attributes
    ----------
    key : str
        Short name, stable.
    text : str
        For the maker, in a sentence or two.
    where : tuple of str
        Places where it is shown: ``sheet``, ``measuring``, ``strength``, ``page``, ``plan``, ``snippet``.
    needs_box : bool
        Whether the sheet has a box to tick that it was read.
    """

    key: str
    text: str
    where: tuple[str, ...] = EVERYWHERE
    needs_box: bool = False


@dataclass(frozen=True)
class _Facts:
    """What of a study decides which cautions apply."""

    study: Study
    nozzle: float | None
    words: frozenset[str]
    recipes: frozenset[str] = field(default_factory=frozenset)

    def has(self, *stems: str) -> bool:
        """Whether any word of the study starts with one of the stems."""
        return any(word.startswith(stem) for word in self.words for stem in stems)

    @property
    def breaks(self) -> bool:
        return bool(self.recipes & RECIPE_INPUTS.keys())

    @property
    def polymer(self) -> set[str]:
        return _words([self.study.material.polymer, self.study.material.name])

    @property
    def fumes(self) -> bool:
        stated = self.study.material.stated_range
        hot = self.nozzle is not None and (
            self.nozzle > HOT_NOZZLE or (stated is not None and self.nozzle > stated[1])
        )
        return hot or bool(self.polymer & set(FUMING))

    @property
    def lining(self) -> bool:
        stop = self.study.printer.nozzle_max
        return self.nozzle is not None and (
            self.nozzle >= HOT_NOZZLE or (stop is not None and self.nozzle > stop)
        )

    @property
    def filled(self) -> bool:
        return self.study.material.abrasive or bool(self.polymer & set(FILLED))


_RULES: tuple[tuple[Caution, Callable[[_Facts], bool]], ...] = (
    (
        Caution(
            "hot parts",
            "Nozzle, bed and fresh prints burn skin: let them cool and switch off before hands go in, as the "
            "printer's manual and local rules say.",
            ("sheet", "page", "plan", "snippet"),
        ),
        lambda f: True,
    ),
    (
        Caution(
            "unattended",
            "Stay near while it prints, not overnight: working smoke alarm, nothing flammable around, the firmware's heat "
            "protection left on. Fire codes and house rules come first.",
            ("sheet", "page", "plan"),
        ),
        lambda f: True,
    ),
    (
        Caution(
            "fumes",
            "Hot plastic gives off fumes and very fine particles, more the hotter it is: air the room or use an "
            "enclosure with extraction, keep your distance, and mind people with asthma. Local air and workplace codes apply.",
            ("sheet", "page", "plan"),
        ),
        lambda f: f.fumes,
    ),
    (
        Caution(
            "lining",
            "A hot end lined with PTFE gives off toxic fumes above its maker's limit, commonly 240 to 250 °C: look the "
            "limit up before printing this hot, and never pass it or change the firmware's own limit.",
            ("sheet", "page", "plan", "snippet"),
        ),
        lambda f: f.lining,
    ),
    (
        Caution(
            "moving axes",
            "Axes and fans start without warning: keep hair, sleeves and cords away. The printer's manual comes first.",
            ("sheet", "snippet"),
        ),
        lambda f: True,
    ),
    (
        Caution(
            "blades",
            "Knife, scraper, cutter: cut away from hands, hold the plate and not the part. Workshop rules apply.",
            ("sheet", "page"),
        ),
        lambda f: True,
    ),
    (
        Caution(
            "shattering",
            "Specimens can shatter when they break: eye protection and a guard, nobody in line with the pull, "
            "hands clear. Rules of the workshop and the tester's manual come first.",
            ("sheet", "measuring", "strength", "page", "plan"),
            needs_box=True,
        ),
        lambda f: f.breaks,
    ),
    (
        Caution(
            "weights",
            "Hung weights fall and cords snap: a stop close below, feet away, no scale beyond its limit. Have any "
            "lifting gear checked as local codes require.",
            ("measuring", "strength", "page"),
        ),
        lambda f: f.breaks,
    ),
    (
        Caution(
            "fibres and dust",
            "A filled spool sheds fibres and dust when it is cut or sanded and wears brass nozzles: mask, eye "
            "protection, wet wiping, no blowing. Workplace dust codes apply.",
            ("sheet", "measuring", "page", "plan"),
        ),
        lambda f: f.filled,
    ),
    (
        Caution(
            "dust",
            "Drilling and sanding: dust mask, eye protection, part clamped. Workplace dust codes apply.",
            ("sheet", "page", "plan"),
        ),
        lambda f: not f.filled and f.has("sand", "drill", "grind", "polish"),
    ),
    (
        Caution(
            "solvents",
            "Solvents, adhesives and sprays: flammable vapour. No flame or spark, gloves, open air or extraction, never "
            "warm a solvent. Fire codes and the safety data sheet come first.",
            ("sheet", "page", "plan"),
            needs_box=True,
        ),
        lambda f: f.has(
            "solvent",
            "acetone",
            "isoprop",
            "adhesive",
            "glue",
            "spray",
            "varnish",
            "lacquer",
            "paint",
            "smoothing",
            "vapour",
        ),
    ),
    (
        Caution(
            "drying",
            "Drying a spool: stay below its softening temperature, watch it, and never in an oven used for food. "
            "The dryer's manual comes first.",
            ("sheet", "page", "plan"),
        ),
        lambda f: f.has("dry", "dried", "moist", "humid"),
    ),
    (
        Caution(
            "mains",
            "Do not open powered equipment; bed wiring, supplies and anything on mains voltage are for a licensed "
            "electrician under the local code.",
            ("sheet", "measuring", "page", "plan"),
        ),
        lambda f: (
            f.study.window.other_printers
            or f.has(
                "thermocouple",
                "sensor",
                "wiring",
                "heater",
                "lamp",
                "modif",
                "enclos",
                "chamber",
                "mains",
            )
        ),
    ),
    (
        Caution(
            "lamps",
            "UV lamps and heat chambers harm eyes and skin and can start fires: shielded, timed, watched. Use them "
            "as their maker and local codes say.",
            ("sheet", "measuring", "page", "plan"),
        ),
        lambda f: f.has("uv", "lamp", "ageing", "aging", "weather", "sunlight"),
    ),
)


def cautions_for(
    study: Study, settings: pd.DataFrame | None = None, place: str = "page"
) -> tuple[Caution, ...]:
    """Give the cautions that apply to a study at a place, the most general first.

    Parameters
    ----------
    study : Study
        Spool, printer, factors, responses and words decide.
    settings : DataFrame, optional
        Runs with natural settings; without them the factors' low and high (or max) count.
    place : {"page", "plan", "sheet", "measuring", "strength", "snippet"}, default "page"
        Where they will stand.

    Returns
    -------
    tuple of Caution

    Raises
    ------
    ValueError
        If the place is unknown.
    """
    if place not in EVERYWHERE:
        raise ValueError(f"place {place!r} is unknown; use one of {', '.join(EVERYWHERE)}.")
    facts = _Facts(
        study,
        _hottest(study, settings),
        frozenset(_study_words(study)),
        frozenset(r.recipe for r in study.responses),
    )
    return tuple(c for c, applies in _RULES if place in c.where and applies(facts))


def scope_line(study: Study) -> str:
    """Say what the parts are for, what this kind of study is never enough for, and how far results reach.

    Parameters
    ----------
    study : Study
        Its ``scope``, in the user's words.

    Returns
    -------
    str
        Plain text, not escaped.
    """
    stated = study.scope.strip().rstrip(".")
    first = f"Scope: {stated}." if stated else "Scope not stated."
    return (
        f"{first} Out of scope, whatever the results: {OUT_OF_SCOPE}; no certificate is given, and local codes and licensed "
        "practice decide there. Results hold for these prints, this spool and this printer, at this age and temperature; "
        "test the real part."
    )


def _hottest(study: Study, settings: pd.DataFrame | None) -> float | None:
    """Give the highest nozzle temperature planned, degC."""
    found: list[float] = []
    for factor in study.factors:
        if factor.kind != "nozzle_temperature":
            continue
        if settings is not None and factor.name in settings and len(settings):
            found.append(float(settings[factor.name].max()))
        elif factor.high is not None:
            found.append(factor.high)
    return max(found, default=None)


def _study_words(study: Study) -> set[str]:
    """Collect the words in which a study tells of steps such as drying or spraying."""
    # Not the scope: it says as often what the parts are not for.
    texts = [study.title, study.question, study.specimen.orientation]
    for factor in study.factors:
        texts += [factor.name, *factor.levels]
    for response in study.responses:
        texts += [response.name, response.label]
    return _words(texts)


def _words(texts: Iterable[str]) -> set[str]:
    return {w for text in texts for w in re.split(r"[\W_]+", text.lower()) if w}
