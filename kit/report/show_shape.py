"""How a surface bends, on the page: where it is level and how surely, its directions, where to go."""

from __future__ import annotations

from kit.model.shape import Shape, shapes_of
from kit.model.surface import Surface
from kit.report.document import Block, Sentences, Table
from kit.report.wording import decimals_for, interval, number, setting, spoken
from kit.saying import listed, with_unit
from kit.study.description import Factor, Study
from kit.window.settable import default_step

MOST_LEVELS = 3


def shape_blocks(surface: Surface, study: Study) -> list[Block]:
    """Show canonical analysis of one surface: the region of the stationary point, the bends, the path."""
    blocks: list[Block] = _unknown_bends(surface)
    for shape in shapes_of(surface)[:MOST_LEVELS]:
        at = _at(shape)
        if shape.region_words:
            blocks.append(Sentences((_after(at, shape.region_words),)))
        if shape.best is not None:
            blocks.append(Sentences((_best_sentence(shape, surface, study, at),)))
        if len(shape.directions):
            blocks.append(_directions_table(shape, surface, at))
        if len(shape.path):
            blocks.append(_path_table(shape, surface, study, at))
    return blocks


def _after(at: str, text: str) -> str:
    """Go on after ``With spool white:`` with a small letter."""
    return at + (text[:1].lower() + text[1:] if at else text)


def _unknown_bends(surface: Surface) -> list[Block]:
    """Warn where single bends are not known: what is said of the shape then rests on an arbitrary choice."""
    names = [n.removesuffix("^2") for n in surface.not_estimable if n.endswith("^2")]
    if not names:
        return []
    text = (
        f"These runs do not tell how {surface.stated.title} bends along {listed([spoken(n) for n in names])}; here it is taken "
        "as straight. Do not rely on what follows about tops, bottoms and ridges."
    )
    return [Sentences((text,), tone="notice")]


def _at(shape: Shape) -> str:
    if not shape.levels:
        return ""
    return f"With {', '.join(f'{spoken(n)} {level}' for n, level in shape.levels.items())}: "


def _best_sentence(shape: Shape, surface: Surface, study: Study, at: str) -> str:
    """Say where the best mean lies in refits with scatter like this study's."""
    assert shape.best is not None
    parts = []
    for row in shape.best.ranges.to_dict("records"):
        factor = study.factor_named(row["factor"])
        low, high = (_printable(row[end], factor) for end in ("low", "high"))
        ends = (
            setting(factor, low)
            if low == high
            else f"{setting(factor, low)} to {setting(factor, high)}"
        )
        parts.append(f"{spoken(factor.name)} {ends}")
    goal = "highest" if shape.goal == "largest" else "lowest"
    edge = float(shape.best.ranges[["at_low_end", "at_high_end"]].sum(axis=1).max())
    said = (
        f"{_after(at, 'Refitted')} {len(shape.best.value)} times to readings that scatter like these, the {goal} {_centre(surface)} {surface.stated.title} in the box of "
        f"tried ranges lies at {listed(parts)} (the middle 95 % of refits)"
    )
    return said + (
        ", mostly at an edge of what was tried: better may lie beyond it." if edge > 0.5 else "."
    )


def _directions_table(shape: Shape, surface: Surface, at: str) -> Table:
    unit = surface.response.unit
    rows = []
    for row in shape.directions.to_dict("records"):
        places = decimals_for(row["high"] - row["low"])
        rows.append(
            (
                row["direction"],
                with_unit(number(row["bend"], places), unit),
                interval(row["low"], row["high"], "", places),
                _nature(row["low"], row["high"]),
            )
        )
    columns = ("Along", "Change half a range away", "95 % interval", "In words")
    caption = (
        f"{_after(at, 'How')} {surface.response.title} bends away from the point where it is level"
    )
    return Table(columns, tuple(rows), caption, numeric=(1, 2), folded=True)


def _nature(low: float, high: float) -> str:
    if high < 0:
        return "falls off on both sides"
    return (
        "rises on both sides" if low > 0 else "hardly bends, as far as these prints show: a ridge"
    )


def _path_table(shape: Shape, surface: Surface, study: Study, at: str) -> Table:
    unit = surface.stated.unit
    rows = []
    for row in shape.path.to_dict("records"):
        places = decimals_for(row["high"] - row["low"])
        rows.append(
            (
                number(row["radius"], 2),
                *(setting(f, _printable(row[f.name], f)) for f in study.factors),
                with_unit(number(row["estimate"], places), unit),
                interval(row["low"], row["high"], "", places),
            )
        )
    centre = _centre(surface).capitalize()
    columns = ("Half-ranges out", *(spoken(f.name) for f in study.factors), centre, "95 % interval")
    goal = "highest" if shape.goal == "largest" else "lowest"
    caption = (
        f"{_after(at, 'The')} {goal} {_centre(surface)} {surface.stated.title} at growing distance from the middle of the ranges, inside what was tried; "
        "settings rounded to a step"
    )
    return Table(columns, tuple(rows), caption, numeric=tuple(range(len(columns))), folded=True)


def _centre(surface: Surface) -> str:
    """Name what the surface gives: on another scale than the one measured on the typical value, not the mean."""
    return "mean" if surface.scale.is_plain else "typical"


def _printable(value: float | str, factor: Factor) -> float | str:
    """Round to the nearest step from low, the steps in which settings are looked for."""
    if isinstance(value, str) or factor.low is None or factor.high is None:
        return value
    step = factor.step or default_step(factor.low, factor.high)
    return float(f"{factor.low + round((value - factor.low) / step) * step:.10g}")
