"""The middle of a surface report: what the settings do, and whether the fit can be believed."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial

import numpy as np

from kit.analysis import Analysis
from kit.charts.checks import draw_residual_story
from kit.charts.effects import draw_effects
from kit.charts.picture import Picture
from kit.charts.surfaces import draw_response_map
from kit.model.canonical import Stationary, effects_table
from kit.model.scale_effects import shown_effects
from kit.model.scale_words import scale_note, spread_words
from kit.model.surface import Surface
from kit.report.document import Block, Group, Heading, Sentences, Table
from kit.report.figures import figure_blocks, view_of
from kit.report.show_both_ways import both_ways_blocks, multiplicity
from kit.report.show_shape import shape_blocks
from kit.report.show_special import special_blocks
from kit.report.wording import decimals_for, interval, number, p_words, plain, settings_line, spoken
from kit.saying import counted, listed, span, with_unit
from kit.study.description import Study
from kit.words import capital, unit_label


def show_effects(analysis: Analysis) -> Group:
    """Show for each response what each setting does, and its map."""
    blocks: list[Block] = []
    pictures = iter(figure_blocks(effect_drawings(analysis)))
    for name, surface in analysis.surfaces.items():
        blocks.append(Heading(capital(surface.stated.title), 3))
        said = scale_note(surface.scale, surface.stated)
        blocks += [Sentences((said,), tone="minor")] if said else []
        blocks += [next(pictures) for _ in range(1 + _is_mapped(analysis))]
        point = analysis.stationary[name]
        if point is not None:
            blocks.append(Sentences((_stationary_sentence(point, surface, analysis.study),)))
        blocks += shape_blocks(surface, analysis.study)
    return Group(tuple(blocks))


def _is_mapped(analysis: Analysis) -> bool:
    return any(not f.is_category for f in analysis.study.factors)


def effect_drawings(analysis: Analysis) -> Iterator[Callable[[], Picture]]:
    """Give the drawings of `show_effects`: for each response its effects and, where there is a scale, its map."""
    view, study = view_of(analysis), analysis.study
    for surface in analysis.surfaces.values():
        shown = shown_effects(surface, study)
        yield partial(
            draw_effects, shown.table, shown.response, study, shown.note, ratios=shown.ratios
        )
        if _is_mapped(analysis):
            yield partial(draw_response_map, surface, study, view, _recommended(analysis))


def show_checks(analysis: Analysis) -> Group:
    """Show the checks as sentences, those that change the answer first, and the residuals' story."""
    blocks: list[Block] = []
    stories = figure_blocks(story_drawings(analysis))
    for (name, surface), story in zip(analysis.surfaces.items(), stories, strict=True):
        checks = analysis.checks[name]
        blocks.append(Heading(capital(surface.stated.title), 3))
        worrying = tuple(c.sentence for c in checks if c.passed is False)
        fit = tuple(c.sentence for c in checks if c.name == "fit")
        calm = tuple(c.sentence for c in checks if c.passed is not False and c.name != "fit")
        if worrying:
            blocks.append(Sentences(worrying, tone="notice"))
        blocks.append(Sentences(fit))
        blocks.append(story)
        title = f"What else was checked, and found calm ({counted(len(calm), 'check')})"
        blocks.append(Sentences(calm, title=title, folded=True))
        if surface.mixed is not None:
            blocks.append(Sentences(surface.notes, tone="minor"))
        blocks += special_blocks(surface)
    return Group((*both_ways_blocks(analysis), *blocks, multiplicity(analysis)))


def story_drawings(analysis: Analysis) -> Iterator[Callable[[], Picture]]:
    """Give the drawings of `show_checks`, one a response."""
    return (partial(draw_residual_story, s) for s in analysis.surfaces.values())


def show_scatter(analysis: Analysis) -> Group:
    """Show where the scatter comes from: prints, their groups, specimens, readings."""
    rows = []
    groups = tuple(dict.fromkeys(g for s in analysis.surfaces.values() for g in s.variance.groups))
    for surface in analysis.surfaces.values():
        parts, response = surface.variance, surface.stated
        cells = [parts.print_, parts.block, *(parts.groups.get(g) for g in groups)]
        cells += [parts.specimen, parts.repeat]
        rows.append((response.title, *(_scatter(v, surface) for v in cells)))
    columns = (
        "Response",
        "Between prints",
        "Between plates or days",
        *(f"Between {spoken(g)}s" for g in groups),
        "Between specimens of a print",
        "Between repeat readings",
    )
    caption = (
        "Scatter at the same settings, as standard deviations; a dash where this study cannot tell."
    )
    caption += _scale_caption(analysis.surfaces.values())
    table = Table(columns, tuple(rows), caption, numeric=tuple(range(1, len(columns))))
    known = tuple(s for surface in analysis.surfaces.values() for s in group_sentences(surface))
    return Group((table, Sentences(known)) if known else (table,))


def group_sentences(surface: Surface) -> list[str]:
    """Say how well the scatter between random groups is known; nothing for least squares."""
    part, response = surface.mixed, surface.stated
    if part is None:
        return []
    sd, low, high = (np.sqrt(v) for v in (part.components, part.low, part.high))
    plain_scale = surface.scale.is_plain
    ends = [
        span(a, b, response.unit)
        if plain_scale
        else f"{spread_words(surface, a)} to {spread_words(surface, b)}"
        for a, b in zip(low, high, strict=True)
    ]
    return [
        f"{capital(response.title)}: {spoken(name)}s of the same settings differ by {spread_words(surface, sd[i], high[i])} (SD; 95 % interval "
        f"{ends[i]}, from {part.sizes[i]})."
        for i, name in enumerate(part.names)
    ]


def show_terms(analysis: Analysis) -> Group:
    """Show the fitted terms, folded: for those who want the numbers."""
    return Group(tuple(_terms_table(s, analysis.study) for s in analysis.surfaces.values()))


def _recommended(analysis: Analysis) -> Mapping[str, float | str] | None:
    window = analysis.window
    return window.recommended.settings if window and window.recommended else None


def _scatter(variance: float | None, surface: Surface) -> str:
    if variance is None:
        return "–"
    sd = math.sqrt(variance)
    if not surface.scale.is_plain:
        return spread_words(surface, sd)
    return with_unit(number(sd, decimals_for(sd)), surface.response.unit)


def _is_ratio(surface: Surface) -> bool:
    return surface.scale.kind == "log"


def _scale_caption(surfaces: Iterable[Surface]) -> str:
    """Say how scatter on another scale is given."""
    scaled = [s for s in surfaces if not s.scale.is_plain]
    parts = []
    if ratios := [s.stated.title for s in scaled if _is_ratio(s)]:
        parts.append(
            f" {capital(listed(ratios))}: in percent or as a factor, since it is fitted as its logarithm."
        )
    if others := [s.stated.title for s in scaled if not _is_ratio(s)]:
        parts.append(
            f" {capital(listed(others))}: at a typical print, since it is fitted on another scale."
        )
    return "".join(parts)


def _terms_table(surface: Surface, study: Study) -> Table:
    table = effects_table(surface)
    width = float((table["high"] - table["low"]).median())
    places = decimals_for(width)
    rows = tuple(
        (
            _term_words(row["term"], study),
            number(row["estimate"], places),
            interval(row["low"], row["high"], "", places),
            p_words(row["p"]) if row["term"] != "intercept" else "–",
        )
        for row in table.to_dict("records")
    )
    unit = surface.response.unit
    caption = (
        f"{capital(surface.response.title)}: fitted terms{_in_unit(surface, unit)}, "
        f"factors coded from −1 (low) to +1 (high); {_freedom(surface)}"
    )
    columns = ("Term", "Effect of one coded unit", "95 % interval", "Evidence")
    return Table(columns, rows, caption, numeric=(1, 2), folded=True)


def _in_unit(surface: Surface, unit: str) -> str:
    scale = surface.scale
    if scale.is_plain:
        return f" in {unit or 'the unit of the readings'}"
    unit = unit_label(surface.stated.unit)
    if scale.kind == "power":
        return f": ((y/g)^p − 1)/p with p = {plain(scale.power)} and g = {with_unit(plain(scale.reference), unit)}"
    return (
        f" (natural logarithm{' of the value in ' + unit if unit and scale.kind == 'log' else ''})"
    )


def _freedom(surface: Surface) -> str:
    """Say on how many degrees of freedom the intervals rest."""
    if surface.mixed is None:
        return f"{counted(int(surface.residual_df), 'degree')} of freedom"
    low, high = float(surface.term_df.min()), float(surface.term_df.max())
    return f"{number(low, 1)} to {number(high, 1)} degrees of freedom (Kenward and Roger)"


def _term_words(term: str, study: Study) -> str:
    """Write a term as a maker reads it: ``pink against white`` for a contrast, ``nozzle × speed``."""
    if term == "intercept":
        return "middle of the region"
    return " × ".join(_part_words(p, study) for p in term.split(":"))


def _part_words(part: str, study: Study) -> str:
    name, equals, level = part.partition("=")
    if equals and name == "block":
        return f"block {level} against the mean of blocks"
    if equals:
        return f"{spoken(name)}: {level} against {study.factor_named(name).levels[0]}"
    name, caret, power = part.partition("^")
    if caret:
        return f"{spoken(name)} squared" if power == "2" else f"{spoken(name)} to the power {power}"
    return spoken(part)


def _stationary_sentence(point: Stationary, surface: Surface, study: Study) -> str:
    response = surface.stated
    if not point.inside:
        return "The fitted surface keeps rising or falling: it has no top or bottom inside the tried region."
    value = with_unit(
        number(
            point.value, decimals_for(4 * math.sqrt(surface.residual_variance) / surface.stretch)
        ),
        response.unit,
    )
    where = settings_line(study, _printable(point, study))
    kinds = {
        "maximum": f"The fitted surface has its highest point, {value}, near {where}.",
        "minimum": f"The fitted surface has its lowest point, {value}, near {where}.",
        "saddle": f"The fitted surface is a saddle near {where} ({value}): better in one direction, worse in another.",
        "ridge": f"The fitted surface is a ridge near {where} ({value}): along one direction it hardly changes.",
    }
    return kinds[point.nature]


def _printable(point: Stationary, study: Study) -> dict[str, float | str]:
    """Round to the settable step, since nobody sets a tenth of a degree."""
    rounded: dict[str, float | str] = {}
    for factor in study.factors:
        value = point.settings[factor.name]
        if factor.step and not isinstance(value, str):
            value = round(value / factor.step) * factor.step
        rounded[factor.name] = value if isinstance(value, str) else round(value, 3)
    return rounded
