"""What must be said wherever a stack of rising or falling levels is shown."""

from __future__ import annotations

from kit.study.description import Study


def monotone_warning(study: Study) -> str | None:
    """Give the sentence that marks a study whose levels rise or fall with height in every stack.

    Parameters
    ----------
    study : Study
        The description.

    Returns
    -------
    str or None
        None for every other study.
    """
    design = study.design
    if design.family != "height_stacked" or design.level_order == "mixed":
        return None
    name = next(
        (f.name for f in study.factors if not f.hard_to_change and not f.is_category), "the level"
    )
    return (
        f"{name} is {design.level_order} with height in every stack, by choice: no effect of {name} can be told from an effect "
        "of height (heat in the part, distance from the bed, time)."
    )
