"""The confirmation's page, and what the verdict says on the main page."""

from __future__ import annotations

from math import isfinite

from kit.analysis import Analysis
from kit.charts.confirm import draw_confirmation
from kit.errors import ConfirmError
from kit.report.document import Answer, Block, Group, Heading, Sentences, Table
from kit.report.figures import figure_block
from kit.report.plan_confirm import propose_confirmation, waiting_prints
from kit.report.wording import decimals_for, interval, number, requirement, settings_line
from kit.saying import counted, listed, percent, stated_percent, with_unit
from kit.window.confirm import SURE, USUAL
from kit.window.confirm_plan import ConfirmationPlan
from kit.window.verdict import DOES_NOT_MEET, MEETS, Confirmation

NOT_CONFIRMED = "Not yet confirmed: print these settings anew on another day and measure before you rely on them."

FORETOLD_ONLY = "Withdrawn: what follows is what the fit foretold before the confirming prints spoke against it."


def banner(confirmation: Confirmation | None) -> str:
    """Give the sentence on the main page that says how far the answer is confirmed."""
    if confirmation is None:
        return NOT_CONFIRMED
    if not confirmation.at_recommended:
        return f"{NOT_CONFIRMED} The confirming prints so far were made at other settings."
    n = confirmation.prints
    if confirmation.verdict == MEETS:
        return (
            f"Confirmed by {counted(n, 'new print')}: {confirmation.met} of {n} clearly met every requirement, and their "
            f"means came as foretold. By themselves they show a chance of at least {percent(confirmation.share_low)} (95 % sure)."
        )
    return (
        f"Confirmation undecided after {counted(n, 'new print')}: {' '.join(confirmation.reasons)}"
    )


def withdrawn(analysis: Analysis) -> Answer:
    """Give the answer of a page whose window the confirming prints contradict."""
    confirmation = analysis.confirmation
    assert confirmation is not None
    line = settings_line(analysis.study, confirmation.settings)
    sentence = (
        f"Withdrawn: do not use {line}. {counted(confirmation.prints, 'new print')} at these settings did not meet the "
        f"requirements as foretold."
    )
    facts = (
        ("confirming prints that met", f"{confirmation.met} of {confirmation.prints}"),
        ("chance foretold", percent(confirmation.promised)),
        ("chance these prints allow", f"at most {percent(_most(confirmation))}"),
    )
    status = (
        "No settings are recommended. Look for what changed since the first prints (spool, moisture, room, nozzle); then "
        "print a further round around these settings."
    )
    return Answer(sentence, status, facts, reached=False)


def why(confirmation: Confirmation) -> Sentences:
    """Give the reasons of the verdict."""
    return Sentences(confirmation.reasons, tone="notice", title="Why")


def _most(confirmation: Confirmation) -> float:
    own = [r.chance_high for r in confirmation.responses.values() if isfinite(r.chance_high)]
    return min([confirmation.share_high, *own])


def show_confirmation(analysis: Analysis) -> Group:
    """Show title and verdict; before there are confirming prints, what is to be printed."""
    blocks: list[Block] = [Heading(f"Do the settings hold? {analysis.study.title}", 1)]
    confirmation = analysis.confirmation
    if confirmation is None:
        blocks.append(_no_verdict(analysis))
    elif confirmation.withdraws:
        blocks += [withdrawn(analysis), why(confirmation)]
    else:
        blocks.append(_verdict(analysis, confirmation))
    if confirmation is not None and confirmation.notes:
        blocks.append(Sentences(confirmation.notes, tone="notice"))
    return Group(tuple(blocks))


def _verdict(analysis: Analysis, confirmation: Confirmation) -> Answer:
    words = {MEETS: "Yes, as far as new prints can tell", DOES_NOT_MEET: "No"}
    lead = words.get(confirmation.verdict, "Undecided")
    line = settings_line(analysis.study, confirmation.settings)
    sentence = f"{lead}: {line}. {' '.join(confirmation.reasons)}"
    facts = (
        ("prints that clearly met", f"{confirmation.met} of {confirmation.prints}"),
        ("chance foretold", percent(confirmation.promised)),
        (
            "chance shown by these prints alone",
            f"at least {percent(confirmation.share_low)} (95 % sure)",
        ),
    )
    status = banner(confirmation) if confirmation.at_recommended else _elsewhere(analysis)
    if confirmation.verdict == MEETS and confirmation.at_recommended:
        status = "The settings may be used within the scope that the study states."
    return Answer(sentence, status, facts, reached=confirmation.verdict == MEETS)


def _elsewhere(analysis: Analysis) -> str:
    window = analysis.window
    if window is None or window.recommended is None:
        return "No settings are recommended now; the verdict is about the settings of these prints."
    now = settings_line(analysis.study, window.recommended.settings)
    return (
        f"The settings recommended now are others: {now}. They are not confirmed by these prints."
    )


def _no_verdict(analysis: Analysis) -> Answer:
    try:
        plan = propose_confirmation(analysis, waiting_prints(analysis) or USUAL)
    except ConfirmError as error:
        return Answer(f"Nothing to confirm yet: {error}", "No verdict.", reached=False)
    line = settings_line(analysis.study, plan.settings)
    if waiting_prints(analysis):
        return Answer(
            f"Not confirmed yet. {counted(plan.prints, 'print')} at {line} wait in runs.csv: make them on another day and measure "
            "without looking at the earlier readings.",
            "The rule below is fixed before they are printed.",
            reached=False,
        )
    return Answer(
        f"Not confirmed yet. Print {line} anew: {counted(plan.prints, 'print')} on another day, measured without looking "
        "at the earlier readings.",
        "testprint plan STUDY --confirm adds these prints to runs.csv. The rule below is fixed before they are printed.",
        reached=False,
    )


def show_confirmation_prints(analysis: Analysis) -> Group:
    """Show each confirming print beside what was foretold and what is required."""
    confirmation = analysis.confirmation
    if confirmation is None:
        text = "No confirming print has been measured for every requirement yet."
        return Group((Sentences((text,), tone="minor"),))
    if not confirmation.responses:  # nothing is measured, pieces only pass or fail
        met = f"{confirmation.met} of {counted(confirmation.prints, 'confirming print')} met every requirement."
        return Group((Sentences((met,)), *_pieces_said(analysis, confirmation)))
    picture = figure_block(draw_confirmation(confirmation, analysis.study))
    return Group(
        (picture, _means_table(analysis, confirmation), *_pieces_said(analysis, confirmation))
    )


def _chances(low: float, high: float) -> str:
    least, most = percent(low), percent(high)
    if least == most:
        return least
    return f"at least {least}" if most == "more than 99 %" else f"{least} to {most}"


def _means_table(analysis: Analysis, confirmation: Confirmation) -> Table:
    rows = []
    for response in analysis.study.responses:
        found = confirmation.responses.get(response.name)
        if found is None:
            continue
        places = decimals_for(found.high - found.low)
        alone = "–"
        if isfinite(found.chance_low):
            alone = _chances(found.chance_low, found.chance_high)
        rows.append(
            (
                response.title,
                requirement(response),
                interval(found.low, found.high, response.unit, places),
                with_unit(number(found.mean, places), response.unit),
                with_unit(number(found.guard, places + 1), response.unit)
                if found.guard
                else "not known",
                alone,
            )
        )
    caption = (
        f"Means of {counted(confirmation.prints, 'confirming print')}. The foretold spans hold all means together with "
        f"{percent(SURE)} chance if the fitted surfaces are right. The last column takes nothing but these prints and a "
        "normal scatter."
    )
    columns = (
        "Response",
        "Required",
        "Mean foretold",
        "Mean found",
        "Guard band",
        "Chance by these prints alone",
    )
    return Table(columns, tuple(rows), caption, numeric=(2, 3, 4, 5))


def _pieces_said(analysis: Analysis, confirmation: Confirmation) -> list[Block]:
    said = []
    for name, found in confirmation.responses.items():
        title = analysis.study.response_named(name).title
        if found.missed:
            said.append(f"{title}: clearly missed by {_runs(found.missed)}.")
        if found.doubtful:
            said.append(f"{title}: too near to a limit to tell for {_runs(found.doubtful)}.")
        if not found.as_foretold and not found.towards_limit:
            said.append(
                f"{title}: the mean lies outside the foretold span, on the harmless side. The settings are no worse for "
                "it, but the fitted surface is off here."
            )
    if confirmation.not_passed:
        titles = [r.title for r in analysis.study.responses if r.passes_or_fails]
        said.append(f"{listed(titles)}: not passed by {_runs(confirmation.not_passed)}.")
    return [Sentences(tuple(said))] if said else []


def _runs(names: tuple[str, ...]) -> str:
    return f"run{'s' if len(names) > 1 else ''} {listed(names)}"


def show_confirmation_rule(analysis: Analysis) -> Group:
    """Show the rule of the verdict and what other numbers of prints would show."""
    confirmation, window = analysis.confirmation, analysis.window
    if window is None or (window.recommended is None and confirmation is None):
        text = "There is no rule to state as long as no settings are recommended."
        return Group((Sentences((text,), tone="minor"),))
    from kit.window.confirm_plan import plan_confirmation

    if confirmation is not None:
        settings, prints = confirmation.settings, confirmation.prints
        plan = plan_confirmation(analysis.judged, analysis.study, settings, prints=prints)
    else:
        assert window.recommended is not None
        settings, prints = window.recommended.settings, waiting_prints(analysis) or USUAL
        plan = plan_confirmation(analysis.judged, analysis.study, settings, prints=prints)
    return Group((_rule(plan), _count_table(plan), _factor_table(plan, analysis)))


def _rule(plan: ConfirmationPlan) -> Sentences:
    refuted = (
        f"{plan.refuted} or more of {plan.prints} clearly miss"
        if plan.refuted <= plan.prints
        else "so many miss as could not be chance (with so few prints no count is enough)"
    )
    enough = f"at least {plan.prints - plan.most_missed} of" if plan.most_missed else "all"
    items = (
        (
            f"Meets: {enough} {plan.prints} prints clearly meet every requirement with all "
            "their pieces, and no mean lies outside its foretold span towards a limit."
        ),
        (
            f"Does not meet: {refuted}, or mean and scatter of the new prints alone speak for a chance below "
            f"{stated_percent(plan.confidence)} in one response."
        ),
        "Undecided: everything between. More prints, or better measuring, may decide it.",
        (
            "Clearly means by more than the guard band of 1.645 standard uncertainties of the measuring, as far as repeat "
            "readings and references tell it; where it is not known there is no guard band."
        ),
    )
    return Sentences(items)


def _count_table(plan: ConfirmationPlan) -> Table:
    rows = tuple((str(n), percent(share)) for n, share in plan.by_count.items())
    caption = (
        "What so many prints show by themselves if every one of them meets (90 % sure, nothing assumed about the "
        f"scatter). To show {stated_percent(plan.confidence)} by the count alone takes {plan.zero_failure}."
    )
    return Table(("Prints, all meeting", "Chance at least"), rows, caption, numeric=(0, 1))


def _factor_table(plan: ConfirmationPlan, analysis: Analysis) -> Table:
    rows = []
    for response in analysis.study.responses:
        mean = plan.means.get(response.name)
        if mean is None or not isfinite(mean.factor):
            continue
        enough = "yes" if mean.distance >= mean.factor else "no"
        rows.append((response.title, number(mean.distance, 1), number(mean.factor, 2), enough))
    caption = (
        f"Distance from the foretold mean to the nearest limit, in SDs of one part, and the tolerance factor by which mean "
        f"and scatter of {counted(plan.prints, 'print')} alone would show {stated_percent(plan.confidence)} (90 % sure, normal scatter)."
    )
    columns = ("Response", "Distance foretold", "Distance needed", "Enough by itself")
    return Table(columns, tuple(rows), caption, numeric=(1, 2), folded=True)
