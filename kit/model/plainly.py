"""What comparisons, screenings and pools take plainly although the study's surfaces are fitted in a special way."""

from __future__ import annotations

from dataclasses import replace

from kit.bench.measured import Measured, censored_runs
from kit.saying import listed
from kit.study.description import Study


def taken_plainly(measured: Measured, study: Study) -> tuple[Measured, Study, tuple[str, ...]]:
    """Give results and study with one scatter for all, every term kept and readings at the limit as they stand.

    Parameters
    ----------
    measured : Measured
        Results of one response.
    study : Study
        Its description.

    Returns
    -------
    measured : Measured
    study : Study
    notes : tuple of str
        What that changes; empty where the study asks for nothing special.
    """
    title, notes = measured.response.title, []
    at_limit = censored_runs(measured)
    if at_limit:
        notes.append(limit_note(measured))
        measured = replace(measured, prints=measured.prints.drop(columns="censored"))
    if measured.response.spread:
        notes.append(
            f"Here one scatter of {title} is taken for all settings, though the study has it change."
        )
        response = measured.response.model_copy(update={"spread": ()})
        measured = replace(measured, response=response)
    if study.model.selection != "none":
        notes.append(f"Here all terms of {title} are kept, though the study selects among them.")
        model = study.model.model_copy(update={"selection": "none"})
        study = study.model_copy(update={"model": model})
    return measured, study, tuple(notes)


def limit_note(measured: Measured) -> str:
    """Say that prints at the limit of the instrument count as read where no surface is fitted.

    Returns
    -------
    str
        Empty without such prints.
    """
    runs = censored_runs(measured)
    if not runs:
        return ""
    return (
        f"Run {listed(runs)} reached the limit of the instrument; here {measured.response.title} counts as it was read, so what lies "
        "above the limit looks smaller than it is."
    )
