"""What is allowed in a study but worth a word."""

from __future__ import annotations

from collections.abc import Iterator

from kit.study.description import Factor, Study
from kit.study.nearest import number
from kit.study.stacked import monotone_warning
from kit.study.units import with_unit


def study_notices(study: Study) -> tuple[str, ...]:
    """Give plain sentences about choices that are legal but may surprise.

    Parameters
    ----------
    study : Study
        A valid study.

    Returns
    -------
    tuple of str
    """
    return tuple(_notices(study))


def _notices(study: Study) -> Iterator[str]:
    if not study.scope.strip():
        yield 'Scope not stated: say in study.toml what the parts are for (scope = "...").'
    warning = monotone_warning(study)
    if warning is not None:
        yield warning
    for factor in study.factors:
        yield from _steps(factor)
    if not any(r.has_limits for r in study.responses):
        yield "No response has a lower or upper limit yet: surfaces can be fitted, but no window can be found."
    specimen, printer = study.specimen.straight_path, study.printer.straight_path
    if specimen is not None and printer is not None and specimen != printer:
        yield f"straight_path is given twice; the specimen's {number(specimen)} mm counts."
    if study.specimen.mass is not None and study.specimen.volume is not None:
        weighed, computed = study.specimen.mass, study.specimen.volume * study.material.density
        if abs(weighed - computed) > 0.2 * computed:
            yield (
                f"The specimen's mass {number(weighed)} g and its volume times the density, {computed:.1f} g, "
                "differ by more than a fifth; the mass counts."
            )


def _steps(factor: Factor) -> Iterator[str]:
    """Say when high is not a whole number of steps above low."""
    if factor.step is None or factor.low is None or factor.high is None:
        return
    steps = (factor.high - factor.low) / factor.step
    if abs(steps - round(steps)) > 1e-6:
        reached = factor.low + int(steps + 1e-9) * factor.step
        yield (
            f"{factor.name}: steps of {with_unit(factor.step, factor.unit)} from low reach "
            f"{with_unit(reached, factor.unit)}, not high {with_unit(factor.high, factor.unit)}."
        )
