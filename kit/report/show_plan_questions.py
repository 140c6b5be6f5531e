"""A plan judged by questions: what does it see, where is it blind, what does it cost; technical figures last."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

import numpy as np

from kit.charts.doubt import draw_doubt_map, draw_shares
from kit.design.noise import Noise, upper_factor
from kit.design.precision import EffectPrecision
from kit.design.tailored import bound
from kit.errors import DesignError
from kit.report.document import Block, Group, Sentences, Table
from kit.report.figures import figure_block
from kit.report.plan import Plan
from kit.report.wording import number, plain, spoken
from kit.saying import counted, listed, percent, with_unit
from kit.study.description import Response
from kit.words import unit_label

ALIKE = 0.02
"""Effects whose half-widths differ by less are shown in one row."""
STEEP_BOUND = 5
"""With more factors the bound of the efficiency is not computed on the page: it takes too long."""
MOST_ALIASES = 8
NO_NOISE = (
    "Nothing is known of the scatter yet, so all is given in multiples of it (SD of prints made alike). Write scatter = ... "
    "into a [[response]], or do a gauge study or a pilot of a few prints at the same settings."
)


def show_plan_sight(plan: Plan) -> Group:
    """Show what the plan sees: half-widths of effects in the response's unit, and the smallest effect seen."""
    blocks: list[Block] = [_effects_table(plan)]
    known = _known(plan)
    sentences = [s for r in known for s in (_noise_sentence(r, plan.noises[r.name]),)]
    if not known:
        sentences.append(NO_NOISE)
    sentences += [s for r in known if r.margin for s in (_margin_sentence(plan, r),)]
    sentences += [s for r in known for s in (_foretold_sentence(plan, r),)]
    blocks.append(Sentences(tuple(sentences)))
    return Group(tuple(blocks))


def show_plan_blind(plan: Plan) -> Group:
    """Show where the plan is blind: effects it cannot tell apart, and settings it will know little of."""
    precision = plan.precision
    sentences = list(_blind_sentences(plan))
    warned = tuple(plan.support.sentences)
    blocks: list[Block] = [Sentences((*sentences, *[w for w in warned if w not in sentences]))]
    sd, quantity, unit = _main_quantity(plan)
    picture = draw_doubt_map(precision, plan.runs, sd, quantity, unit) if precision.df > 0 else None
    if picture is not None:
        blocks.append(figure_block(picture))
    if precision.df > 0:
        blocks.append(figure_block(draw_shares({"this plan": precision}, sd, quantity, unit)))
    return Group(tuple(blocks))


def show_plan_cost(plan: Plan) -> Group:
    """Show what the plan costs: prints, filament, hours, changes of what is hard to change."""
    rows = [(name, text) for name, text in cost(plan)]
    return Group((Table(("What", "How much"), tuple(rows), "What the plan costs."),))


def show_plan_technical(plan: Plan) -> Group:
    """Show technical figures: inflation, leverage, efficiency against the best possible."""
    precision = plan.precision
    sentences = []
    worst = [e for e in precision.effects if isfinite(e.inflation)]
    if worst:
        top = max(worst, key=lambda e: e.inflation)
        sentences.append(
            f"Largest variance inflation: {top.inflation:.2f} ({term_words(top.term.name)}); 1 is undisturbed, common practice warns from 10."
        )
    leverage = precision.leverage
    most = int(np.argmax(leverage))
    run = plan.runs[plan.runs["status"] != "failed"]["run"].astype(str).tolist()[most]
    sentences.append(
        f"Largest leverage: {leverage[most]:.2f} (run {run}); a run of leverage 1 is taken as it is, right or wrong. Mean {leverage.mean():.2f}."
    )
    sentences.append(f"{counted(int(precision.df), 'degree')} of freedom for the scatter.")
    sentences += _efficiency(plan)
    return Group((Sentences(tuple(sentences), tone="minor", title="Technical figures"),))


def essentials(plan: Plan) -> tuple[str, ...]:
    """Say what the plan sees, where it is blind and how sure that is, in a few lines for the command."""
    known = _known(plan)
    table = _effects_table(plan)
    seen = ["Known to \N{PLUS-MINUS SIGN} (smallest seen with a chance of 80 %):"]
    for what, *cells in table.rows:
        said = ", ".join(
            f"{head[:1].lower()}{head[1:]} {cell}"
            for head, cell in zip(table.columns[1:], cells, strict=True)
        )
        seen.append(f"  {what}: {said}")
    unsure = [_noise_sentence(r, plan.noises[r.name]) for r in known]
    return (*seen, *(unsure or [NO_NOISE]), *_blind_sentences(plan))


def _known(plan: Plan) -> list[Response]:
    return [r for r in plan.study.responses if r.name in plan.noises]


def _main_quantity(plan: Plan) -> tuple[float, str, str]:
    """Give SD, name and unit of the response in which maps are drawn; multiples of the scatter where none is known."""
    known = _known(plan)
    if not known:
        return 1.0, "a response", "SD of prints made alike"
    first = known[0]
    return plan.noises[first.name].sd, first.title, unit_label(first.unit) or first.title


def _effects_table(plan: Plan) -> Table:
    known = _known(plan)
    heads = [f"{r.title} ({unit_label(r.unit)})" if r.unit else r.title for r in known]
    rows = []
    for group in _alike(plan.precision.effects):
        first = group[0]
        cells = [_known_to(first, plan.noises[r.name].sd) for r in known]
        rows.append((_effect_words(group, plan), *(cells or [_known_to(first, 1.0)])))
    columns = ("What", *(heads or ["In SD of prints made alike"]))
    caption = "Known to ± (95 % interval); in brackets the smallest that would be seen with a chance of 80 %."
    return Table(columns, tuple(rows), caption, numeric=tuple(range(1, len(columns))))


def _known_to(effect: EffectPrecision, sd: float) -> str:
    half, small = sd * effect.half_width, sd * effect.smallest
    if not isfinite(half):
        return "–"
    digits = _digits(half)
    return f"±{number(half, digits)} ({number(small, digits)})"


def _digits(value: float) -> int:
    """Give decimals that show two figures."""
    return max(0, 1 - int(np.floor(np.log10(value)))) if value > 0 else 2


def _alike(effects: Sequence[EffectPrecision]) -> list[list[EffectPrecision]]:
    groups: list[list[EffectPrecision]] = []
    for effect in effects:
        for group in groups:
            first = group[0]
            if (
                first.kind == effect.kind
                and abs(first.half_width - effect.half_width) <= ALIKE * first.half_width
            ):
                group.append(effect)
                break
        else:
            groups.append([effect])
    return groups


def _effect_words(group: Sequence[EffectPrecision], plan: Plan) -> str:
    names = [spoken(e.term.name.replace("^2", "")).replace("=", " ") for e in group]
    if group[0].kind == "bend":
        together = [_in_sum(e.term.name, plan) for e in group]
        names = [t or n for t, n in zip(together, names, strict=True)]
        return f"How far the middle departs from a straight line: {listed(names)}"
    if group[0].kind == "together":
        pairs = [n.replace(":", " with ") for n in names]
        shown = pairs if len(pairs) <= 4 else [*pairs[:3], f"{len(pairs) - 3} more"]
        return f"How much one setting changes the effect of another: {listed(shown)}"
    scales = [n for n, e in zip(names, group, strict=True) if e.term.powers]
    levels = [n for n, e in zip(names, group, strict=True) if not e.term.powers]
    parts = ([f"From low to high of {listed(scales)}"] if scales else []) + (
        [f"{listed(levels)} against {_first_levels(group, plan)}"] if levels else []
    )
    return "; ".join(parts)


def _in_sum(term: str, plan: Plan) -> str:
    """Name the bends of which only the sum can be seen under this term; empty where it stands by itself."""
    for group in plan.precision.groups:
        if term in group and len(group) > 1 and all(n.endswith("^2") for n in group):
            return f"{listed([spoken(n.removesuffix('^2')) for n in group])} together"
    return ""


def _first_levels(group: Sequence[EffectPrecision], plan: Plan) -> str:
    names = dict.fromkeys(e.term.name.partition("=")[0] for e in group if not e.term.powers)
    return listed([plan.study.factor_named(n).levels[0] for n in names])


def term_words(name: str) -> str:
    """Say a term in words: ``nozzle:speed`` is nozzle with speed, ``nozzle^2`` the bend of nozzle."""
    if name.endswith("^2"):
        return f"the bend of {spoken(name.removesuffix('^2'))}"
    return " with ".join(spoken(part).replace("=", " ") for part in name.split(":"))


def _noise_sentence(response: Response, noise: Noise) -> str:
    sd = with_unit(number(noise.sd, _digits(noise.sd)), response.unit)
    text = f"Scatter of {response.title}: {sd} (SD of prints made alike), from {noise.source}."
    if isfinite(noise.df):
        high = with_unit(number(noise.high, _digits(noise.high)), response.unit)
        text += (
            f" So few tell little: the true SD may be as large as {high} ({upper_factor(noise.df):.1f} times; 95 %), and then "
            "everything here is that much less sure."
        )
    return text


def _margin_sentence(plan: Plan, response: Response) -> str:
    assert response.margin is not None
    sd = plan.noises[response.name].sd
    mains = [e for e in plan.precision.effects if e.kind == "effect"]
    if not mains:
        return "No straight effect can be told."
    chances = {spoken(e.term.name).replace("=", " "): e.power(response.margin, sd) for e in mains}
    low = min(chances, key=lambda n: chances[n])
    return (
        f"A difference of {with_unit(plain(response.margin), response.unit)} in {response.title}, the margin of the study, would be found "
        f"with a chance of {percent(chances[low])} or more (least for {low})."
    )


def _foretold_sentence(plan: Plan, response: Response) -> str:
    shares = plan.precision.shares * plan.noises[response.name].sd
    if not np.isfinite(shares).all():
        return f"{response.title} could not be foretold with any certainty: no print is left to judge the scatter by."
    half, most, worst = (
        float(v) for v in (np.quantile(shares, 0.5), np.quantile(shares, 0.9), shares[-1])
    )
    digits = _digits(half)
    unit = response.unit
    return (
        f"Foretold means of {response.title} will be known to ±{with_unit(number(half, digits), unit)} or better at half of the allowed "
        f"settings, ±{with_unit(number(most, digits), unit)} at 90 %, ±{with_unit(number(worst, digits), unit)} at worst."
    )


def _blind_sentences(plan: Plan) -> list[str]:
    precision = plan.precision
    seen = [t.name for t in precision.terms if t.order]
    said = [
        f"These runs can tell {counted(len(seen), 'effect')} apart, with {counted(int(precision.df), 'print')} to spare to judge the scatter by."
    ]
    if precision.lost:
        said.append(
            f"They cannot tell: {listed([term_words(n) for n in precision.lost[:12]])}{' and more' if len(precision.lost) > 12 else ''}."
        )
    for group in precision.groups[:MOST_ALIASES]:
        said.append(f"Only the sum of {listed([term_words(n) for n in group])} can be seen.")
    grouped = {n for g in precision.groups for n in g}
    other = [
        a for a in precision.aliases if abs(a.share) < 0.999 and not {a.term, a.other} <= grouped
    ]
    mains = [a for a in other if ":" not in a.term and "^" not in a.term]
    for a in (mains or other)[:MOST_ALIASES]:
        said.append(
            f"If there is an effect of {term_words(a.other)} that nobody looks for, {abs(a.share):.2f} of it shows up as {term_words(a.term)}."
        )
    left = len(other) - MOST_ALIASES
    if left > 0:
        said.append(f"{left} more such disguises are smaller or among higher effects.")
    if not precision.lost and not precision.groups and not precision.aliases:
        said.append("No effect of second order is mixed up with another.")
    return said


def cost(plan: Plan) -> list[tuple[str, str]]:
    """List what a plan costs, one thing a row: what, how much."""
    table, runs, study = plan.assessment.table, plan.runs.sort_values("print_order"), plan.study
    rows = [("Prints", str(_prints(plan)))]
    if table["grams"].notna().all():
        rows.append(("Filament", f"{table['grams'].sum():.0f} g"))
    if table["minutes"].notna().all():
        rows.append(("Printing", f"{table['minutes'].sum() / 60:.1f} h"))
    for factor in study.factors:
        if factor.hard_to_change or factor.is_category:
            changes = int(
                (runs[factor.name].to_numpy()[1:] != runs[factor.name].to_numpy()[:-1]).sum()
            )
            rows.append((f"Changes of {spoken(factor.name)}", str(changes)))
    if runs["block"].nunique() > 1 and not any(f.hard_to_change for f in study.factors):
        rows.append(("Blocks", str(runs["block"].nunique())))
    rows.append(("Readings", str(len(plan.to_fill))))
    return rows


def _prints(plan: Plan) -> int:
    """Count prints; the levels of a stack are one."""
    if plan.study.design.family == "height_stacked":
        return int(plan.runs["block"].nunique())
    return len(plan.runs)


def _efficiency(plan: Plan) -> list[str]:
    study = plan.study
    if len(study.factors) > STEEP_BOUND or plan.precision.lost:
        return []
    found = []
    for criterion, words in (("D", "for effects"), ("I", "for foretold values")):
        try:
            best = bound(study, criterion)
        except DesignError:
            return []
        share = best.efficiency(plan.precision.coded)[0 if criterion == "D" else 1]
        found.append(f"{criterion}-efficiency {100 * share:.0f} % ({words})")
    outside = np.abs(plan.precision.coded).max() > 1 + 1e-9
    more = " Axial points beyond low and high can pass 100 %." if outside else ""
    return [
        (
            f"{listed(found)}, against the best conceivable plan of as many runs inside the same limits (bound of the equivalence "
            f"theorem, gap below 0.01 %).{more} Blocks are left out of this comparison."
        )
    ]
