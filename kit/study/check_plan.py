"""Material, printer, plan and model: what contradicts itself or the factors."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from kit.study.check_factors import USUAL_NOZZLE_MAX, Finding, temperature_guess
from kit.study.description import Design, Study
from kit.study.limits import LimitError, never_met, parse_limit
from kit.study.names import group_fault
from kit.study.nearest import number
from kit.study.units import factor_unit
from kit.terms import FACTOR_NAME, CodedFactor, Coding, expand_terms
from kit.words import FACTOR_KINDS, conversion

WITH_CRITERION = ("optimal", "split_plot")
LARGEST_AXIAL = 4.0


def check_set_up(study: Study) -> Iterator[Finding]:
    """Find what is wrong with the spool and the printer.

    Parameters
    ----------
    study : Study
        A draft.

    Yields
    ------
    tuple of KeyPath and str
        Where, and what to do.
    """
    for key, text in _material(study):
        yield ("material", key), text
    for key, text in _printer(study):
        yield ("printer", key), text
    thickest = study.printer.line_width
    for i, factor in enumerate(study.factors):
        scale = conversion(factor_unit(factor), "mm") if factor.kind == "layer_height" else None
        if (
            scale
            and factor.high is not None
            and thickest <= factor.high * scale <= FACTOR_KINDS["layer_height"].high
        ):
            yield (
                ("factor", i, "high"),
                (
                    f"layers of {number(factor.high * scale)} mm are not thinner than the line is wide "
                    f"(printer.line_width = {number(thickest)} mm); lower high or write the real line width."
                ),
            )


def _material(study: Study) -> Iterator[tuple[str, str]]:
    stated = study.material.stated_range
    if stated is None:
        return
    low, high = stated
    kind = FACTOR_KINDS["nozzle_temperature"]
    for value in stated:
        guess = temperature_guess(value, (140.0, USUAL_NOZZLE_MAX))
        if guess is not None:
            yield "stated_range", guess
            return
        if not kind.low <= value <= kind.high:
            yield (
                "stated_range",
                f"found {number(value)} degC; a spool states nozzle temperatures, {number(kind.low)} to {number(kind.high)} degC.",
            )
            return
    if low > high:
        yield (
            "stated_range",
            f"found [{number(low)}, {number(high)}]; the lower comes first: [{number(high)}, {number(low)}].",
        )


def _printer(study: Study) -> Iterator[tuple[str, str]]:
    printer = study.printer
    if printer.layer_height >= printer.line_width:
        yield (
            "layer_height",
            (
                f"layers of {number(printer.layer_height)} mm are not thinner than the line is wide "
                f"({number(printer.line_width)} mm); lower layer_height or raise line_width."
            ),
        )
    limit = printer.melt_limit
    if isinstance(limit, float | int):
        if not 0 < limit <= 200:
            yield (
                "melt_limit",
                f"found {number(limit)} mm3/s; a nozzle melts more than 0 and at most 200 mm3/s.",
            )
    elif limit is not None:
        yield from (("melt_limit", text) for text in _melt_pairs(limit))


def _melt_pairs(pairs: tuple[tuple[float, float], ...]) -> Iterator[str]:
    if not pairs:
        yield "found no pairs; write [[degC, mm3/s], ...], one number, or delete the key."
    temperatures = [t for t, _ in pairs]
    limits = [q for _, q in pairs]
    if any(not 0 < q <= 200 for q in limits):
        yield "every pair is [degC, mm3/s] with more than 0 and at most 200 mm3/s."
    elif any(not 100 <= t <= 600 for t in temperatures):
        yield "every pair is [degC, mm3/s], temperature first, 100 to 600 degC."
    elif any(a >= b for a, b in pairwise(temperatures)):
        yield "temperatures must rise from pair to pair; put the pairs in order, each temperature once."
    elif any(a > b for a, b in pairwise(limits)):
        yield "a hotter nozzle melts at least as much; check the pair where the limit falls."


def check_plan(study: Study, *, kinds_known: bool, family_known: bool) -> Iterator[Finding]:
    """Find options that do not apply to the family, and limits or terms that cannot be read.

    Parameters
    ----------
    study : Study
        A draft.
    kinds_known : bool
        Whether names, kinds and levels of all factors could be read; what depends on them is checked only
        then.
    family_known : bool
        Likewise for the family of the plan.

    Yields
    ------
    tuple of KeyPath and str
        Where, and what to do.
    """
    if family_known:
        for key, text in _options(study.design):
            yield ("design", key), text
    if not kinds_known or not study.factors:
        return
    if family_known:
        for key, text in _needs(study):
            yield ("design", key), text
    names = [f.name for f in study.factors]
    for name, weight in study.window.weights.items():
        if name not in names:
            yield (
                ("window", "weights"),
                f"{name!r} is no factor of this study; weigh {', '.join(names)}.",
            )
        elif not 0 <= weight <= 100:
            yield (
                ("window", "weights"),
                f"{name}: found {number(weight)}; a weight lies in 0 to 100, 1 is usual.",
            )
    if len(set(names)) < len(names):
        return
    coding, ranges_known = _draft_coding(study)
    for text in _limits(study.design, coding, ranges_known):
        yield ("design", "limits"), text
    terms = study.model.terms
    if terms == ():
        yield (
            ("model", "terms"),
            'the list is empty; name terms, or write "main", "interactions" or "second_order".',
        )
    for text in _groups(study):
        yield ("model", "random"), text
    if any(not FACTOR_NAME.fullmatch(name) for name in names):
        return  # no term can be read while a factor's name cannot
    for term in (terms,) if isinstance(terms, str) else terms:
        try:
            expand_terms(coding, term if isinstance(terms, str) else [term])
        except ValueError as error:
            yield ("model", "terms"), str(error)


def _options(design: Design) -> Iterator[tuple[str, str]]:
    """Find options that the family does not know; whether ``runs`` adds up is for the plan to say."""
    family, given = design.family, design.model_fields_set
    if "axial" in given and family != "central_composite":
        yield (
            "axial",
            f'{family} has no axial points; delete axial, or write family = "central_composite".',
        )
    elif isinstance(design.axial, float) and not 0 < design.axial <= LARGEST_AXIAL:
        allowed = f"an axial distance lies above 0 and up to {number(LARGEST_AXIAL)} coded units"
        yield "axial", f"found {number(design.axial)}; {allowed}."
    if "level_order" in given and family != "height_stacked":
        yield (
            "level_order",
            f'{family} stacks no levels; delete level_order, or write family = "height_stacked".',
        )
    if "criterion" in given and family not in WITH_CRITERION:
        yield (
            "criterion",
            f'{family} follows a fixed pattern; delete criterion, or write family = "optimal".',
        )


def _needs(study: Study) -> Iterator[tuple[str, str]]:
    """Find families and options that these factors cannot fill."""
    design, family = study.design, study.design.family
    hard = [f.name for f in study.factors if f.hard_to_change]
    scales = [f.name for f in study.factors if not f.is_category]
    remedy = "mark one with hard_to_change = true"
    if design.changes is not None and not hard:
        yield "changes", f"no factor is hard to change; delete changes, or {remedy}."
    if family == "split_plot" and not hard:
        yield "family", f"split_plot needs a factor that is hard to change; {remedy}."
    if family == "box_behnken" and len(scales) < 3:
        found = f"box_behnken needs three factors on a scale, found {len(scales)}"
        yield "family", f'{found}; write family = "central_composite".'
    if family == "central_composite" and not scales:
        yield (
            "family",
            'central_composite needs a factor on a scale; write family = "full_factorial".',
        )


def _groups(study: Study) -> Iterator[str]:
    """Find names of groups that cannot be a column of ``runs.csv`` of their own."""
    taken = {f.name: "a factor" for f in study.factors} | {
        r.name: "a response" for r in study.responses
    }
    seen: set[str] = set()
    for name in study.model.random:
        if name == "block":
            yield 'blocks are declared by blocks = "random"; random names further columns, such as spool.'
        elif name in taken:
            yield (
                f"{name!r} is {taken[name]} already; random names columns of runs.csv that only say which prints "
                "belong together, such as spool, printer or day."
            )
        elif name in seen:
            yield f"{name!r} stands here twice."
        elif fault := group_fault(name):
            yield fault
        seen.add(name)


def _limits(design: Design, coding: Coding, ranges_known: bool) -> Iterator[str]:
    scales = [f.name for f in coding.continuous]
    categories = [f.name for f in coding.categories]
    for text in design.limits:
        try:
            limit = parse_limit(text, scales, categories=categories)
        except LimitError as error:
            yield str(error)
            continue
        if ranges_known and never_met(limit, coding):
            yield f"limit {text!r}: no setting between the lows and highs keeps it; check its numbers."


def _draft_coding(study: Study) -> tuple[Coding, bool]:
    """Give a coding that knows all names, and whether it knows all ranges."""
    coded, known = [], True
    for f in study.factors:
        if f.is_category:
            coded.append(CodedFactor(f.name, levels=f.levels or ("?",)))
        elif f.low is None or f.high is None or f.low == f.high:
            coded.append(CodedFactor(f.name))
            known = False
        else:
            coded.append(CodedFactor(f.name, min(f.low, f.high), max(f.low, f.high)))
    return Coding(tuple(coded)), known
