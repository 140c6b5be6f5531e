"""Whether a donor's study can be carried over to another printer at all."""

from __future__ import annotations

from kit.errors import TransferError
from kit.saying import listed
from kit.study.description import Study
from kit.window.printers import nozzle_place

SAME_SIZE = 1e-6  # mm; nozzles that differ by more are different nozzles


def check_donor(study: Study, donor: Study) -> list[str]:
    """Refuse a donor whose study cannot be carried over by an offset.

    Parameters
    ----------
    study, donor : Study
        The adopter's and the donor's description.

    Returns
    -------
    list of str
        Sentences about what differs and does not forbid it.

    Raises
    ------
    TransferError
        If the nozzle or the polymer differ, factors or responses do not match, or no factor is a nozzle
        temperature.
    """
    here, there = study.printer.nozzle_diameter, donor.printer.nozzle_diameter
    if abs(here - there) > SAME_SIZE:
        raise TransferError(
            f"the donor used a {there:g} mm nozzle, this printer has {here:g} mm; settings do not carry over from one "
            "to the other by an offset. Plan a study of your own: testprint new FOLDER"
        )
    ours, theirs = study.material.polymer.strip(), donor.material.polymer.strip()
    if ours.casefold() != theirs.casefold() and ours and theirs:
        raise TransferError(
            f"the donor printed {theirs}, this study {ours}; another polymer is another study. Plan one of your own: "
            "testprint new FOLDER"
        )
    for name in donor.coding.names:
        if name not in study.coding.names:
            raise TransferError(
                f"the donor varied {name}, which is no factor here; describe the same factors as the donor did "
                f"({listed(donor.coding.names)})."
            )
    _same_factors(study, donor)
    if nozzle_place(donor) is None:
        raise TransferError(
            "no factor of the donor's study is a nozzle temperature, so nothing can be said of thermometers."
        )
    shared = [r.name for r in study.responses if r.name in {d.name for d in donor.responses}]
    if not shared:
        raise TransferError(
            f"no response is shared with the donor, who measured {listed([r.name for r in donor.responses])}."
        )
    return [*_differences(study, donor), *_unknown_polymer(ours, theirs)]


def _same_factors(study: Study, donor: Study) -> None:
    for factor in study.factors:
        known = [f for f in donor.factors if f.name == factor.name]
        if not known:
            raise TransferError(
                f"{factor.name} is no factor of the donor's study ({listed(donor.coding.names)}); leave it out."
            )
        if known[0].kind != factor.kind or known[0].levels != factor.levels:
            raise TransferError(
                f"{factor.name} means something else here than in the donor's study; describe it as the donor did."
            )
    for response in study.responses:
        for other in donor.responses:
            if other.name == response.name and (other.unit, other.recipe) != (
                response.unit,
                response.recipe,
            ):
                raise TransferError(
                    f"{response.name} is measured in {other.unit or 'no unit'} by {other.recipe} there and in "
                    f"{response.unit or 'no unit'} by {response.recipe} here; measure it as the donor did."
                )


def _differences(study: Study, donor: Study) -> list[str]:
    pairs = [
        ("line width", study.printer.line_width, donor.printer.line_width),
        ("layer height", study.printer.layer_height, donor.printer.layer_height),
    ]
    varied = {f.kind for f in study.factors}
    return [
        f"The {what} is {here:g} mm here and {there:g} mm at the donor's: what that changes is taken for a difference between "
        "the printers."
        for what, here, there in pairs
        if abs(here - there) > SAME_SIZE and what.replace(" ", "_") not in varied
    ]


def _unknown_polymer(ours: str, theirs: str) -> list[str]:
    if ours and theirs:
        return []
    return [
        "The polymer is not stated on both sides; that both printed the same is taken on trust."
    ]
