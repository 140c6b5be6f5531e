"""What a part passes or fails: its readings are yes or no, its one requirement is to pass."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from kit.study.description import COMES_OUT, Response, Study
from kit.study.nearest import echo, number
from kit.study.quantities import ReadQuantity

YES = frozenset({"1", "1.0", "yes", "y", "pass", "passed", "passes", "ok", "true", "good"})
NO = frozenset({"0", "0.0", "no", "n", "fail", "failed", "fails", "not ok", "false", "bad"})


def outcome_findings(response: Response) -> Iterator[tuple[str, str]]:
    """Find what is wrong with the requirement of a pass/fail response.

    Parameters
    ----------
    response : Response
        A draft.

    Yields
    ------
    tuple of str and str
        Key, and what to do.
    """
    if not response.passes_or_fails:
        return
    if response.lower not in (None, 1.0):
        yield (
            "lower",
            f"found {number(float(response.lower or 0))}; a pass/fail response can only be required to pass: write lower = 1.",
        )
    for key in ("upper", "target"):
        if getattr(response, key) is not None:
            yield (
                key,
                f"{key} says nothing of a pass/fail response; delete the key, write lower = 1.",
            )
    if response.scale != "as_measured":
        yield "scale", "a pass/fail response has no scale of its own; delete the key."


def comes_out_findings(study: Study) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Find names that the kit needs itself where failed prints count.

    Parameters
    ----------
    study : Study
        A draft.

    Yields
    ------
    tuple of KeyPath and str
        Where, and what to do.
    """
    if not study.window.failed_prints:
        return
    for i, response in enumerate(study.responses):
        if response.name == COMES_OUT:
            text = f"{COMES_OUT!r} is what the kit calls a print that does not fail; choose another name."
            yield ("response", i, "name"), text


def outcome_cells(
    cells: Sequence[str],
    quantities: Sequence[ReadQuantity | None],
    study: Study,
) -> tuple[list[str], Mapping[int, str]]:
    """Turn the words of pass/fail readings into 1 and 0.

    Parameters
    ----------
    cells : sequence of str
        The column ``value``.
    quantities : sequence of ReadQuantity or None
        What each row reads.
    study : Study
        Which responses are pass/fail.

    Returns
    -------
    cells : list of str
        With ``1`` and ``0`` in place of the words; a cell at fault is empty.
    faults : mapping of row position to str
        What is wrong.
    """
    outcomes = {r.name for r in study.responses if r.passes_or_fails}
    found = list(cells)
    faults: dict[int, str] = {}
    if not outcomes:
        return found, faults
    for i, (cell, read) in enumerate(zip(cells, quantities, strict=True)):
        if read is None or read.response not in outcomes or not cell:
            continue
        word = cell.casefold()
        if word in YES or word in NO:
            found[i] = "1" if word in YES else "0"
        else:
            found[i] = ""
            faults[i] = (
                f"found {echo(cell)}; a pass/fail reading is yes or no (pass or fail, 1 or 0)."
            )
    return found, faults
