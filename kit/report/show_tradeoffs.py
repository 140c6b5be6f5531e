"""What can be chosen inside the window, as the page shows it."""

from __future__ import annotations

from math import isfinite

from kit.analysis import Analysis
from kit.report.document import Block, Group, Sentences, Table
from kit.report.wording import decimals_for, number, setting, settings_line, spoken
from kit.saying import percent, stated_percent, with_unit
from kit.study.description import Study
from kit.window.tradeoff import STOPPED, TRIED, UNSEEN, AskingMore, Edge, Frugal, TradeOffs


def show_trade_offs(analysis: Analysis) -> Group:
    """Show the fastest and thriftiest settings of the window, what ends it at each side, and what asking for more costs."""
    found, study = analysis.trade_offs, analysis.study
    if found is None:
        required = any(r.has_limits for r in study.responses)
        why = "no setting reaches the chance asked for" if required else "nothing is required"
        text = f"There is no window to choose from: {why}."
        return Group((Sentences((text,), tone="minor"),))
    blocks: list[Block] = [_frugal_table(found, study)]
    if found.edges:
        blocks.append(_edges_table(found.edges, study))
    blocks += [_more_table(one, study) for one in found.asking_more]
    return Group(tuple(blocks))


def _frugal_table(found: TradeOffs, study: Study) -> Table:
    chosen = [
        ("recommended", found.recommended),
        ("fastest", found.fastest),
        ("thriftiest", found.thriftiest),
    ]
    rows = tuple(_frugal_row(name, one, study) for name, one in chosen if one is not None)
    caption = f"All of these reach {stated_percent(study.window.confidence)}. Times and grams are of one print, heating and purge not counted."
    if found.fastest is None and found.thriftiest is None:
        caption += " No setting of the window saves time or filament against another, or study.toml does not say enough to tell."
    return Table(
        ("", "Settings", "Print time", "Filament", "Chance"), rows, caption, numeric=(2, 3, 4)
    )


def _frugal_row(name: str, one: Frugal, study: Study) -> tuple[str, ...]:
    return (
        name,
        settings_line(study, one.settings),
        "–" if one.minutes is None else f"{one.minutes:.0f} min",
        "–" if one.grams is None else f"{number(one.grams, 1)} g",
        percent(one.probability),
    )


def _edges_table(edges: tuple[Edge, ...], study: Study) -> Table:
    rows = []
    for edge in edges:
        factor = study.factor_named(edge.factor)
        if edge.stopped_by == TRIED:
            why = "nothing was tried beyond"
        elif edge.stopped_by == STOPPED:
            why = "a hard stop"
        elif edge.stopped_by == UNSEEN:
            why = (
                "nothing: the next step holds as well, but so many settings were not all looked at"
            )
        else:
            why = f"{study.response_named(edge.stopped_by).title} (chance {percent(edge.probability)} one step further)"
        words = "below" if edge.side == "low" else "above"
        rows.append((f"{spoken(edge.factor)} {words} {setting(factor, edge.at)}", why))
    return Table(
        ("Beyond this", "What stops it"), tuple(rows), "What ends the box of ranges at each side."
    )


def _more_table(one: AskingMore, study: Study) -> Table:
    response = study.response_named(one.response)
    word = "at least" if one.side == "lower" else "at most"
    limits = one.rows["limit"].to_numpy()
    places = decimals_for(abs(float(limits[-1] - limits[0])))
    rows = tuple(
        (
            f"{word} {with_unit(number(row['limit'], places), response.unit)}",
            percent(row["probability"]),
            percent(row["share"]),
            f"{row['minutes']:.0f} min" if isfinite(row["minutes"]) else "–",
        )
        for row in one.rows.to_dict("records")
    )
    caption = (
        f"What asking more of {response.title} would cost, the other requirements held; the last line is the strictest limit that some "
        f"setting meets with {stated_percent(study.window.confidence)} chance."
    )
    columns = (f"{response.title}", "Best chance", "Settings left", "Fastest of them")
    return Table(columns, rows, caption, numeric=(1, 2, 3), folded=True)
