"""The end of every page: what can hurt, what the results are not for, and what they were made from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from kit.bench.cautions import Caution, cautions_for, scope_line
from kit.report.document import CautionList, Group, Sentences, Table
from kit.report.numbers import overall_digest, provenance_numbers
from kit.study.description import Study

ALL_INPUTS = "all inputs"


def caution_list(study: Study, cautions: Iterable[Caution] | None = None) -> CautionList:
    """Give the cautions of a page.

    Parameters
    ----------
    study : Study
        Says what its parts are for.
    cautions : iterable of Caution, optional
        Those that this page needs; all that apply to the study if not given.

    Returns
    -------
    CautionList
    """
    chosen = cautions_for(study) if cautions is None else cautions
    return CautionList(tuple(c.text for c in chosen), scope_line(study))


def provenance_blocks(
    study: Study,
    digests: Mapping[str, str],
    parameters: Mapping[str, Any] | None = None,
    text: str = "The same files give the same numbers; all of them stand in results.json beside this page.",
    *,
    with_overall: bool = False,
) -> Group:
    """Give versions, seed and the digests of the files that a page was made from.

    Parameters
    ----------
    study : Study
        Has the seed.
    digests : mapping of file name to digest
        The input files.
    parameters : mapping, optional
        The notebook's options other than the study folder; those that were given are shown.
    text : str
        What is said of them.
    with_overall : bool
        Whether the one digest of all files stands there as well.

    Returns
    -------
    Group
    """
    source = provenance_numbers(study, digests)
    rows = [("seed", str(source["seed"]))]
    rows += [(ALL_INPUTS, overall_digest(digests))] if with_overall else []
    rows += [(f"option {name}", str(v)) for name, v in (parameters or {}).items() if v]
    rows += [(name, digest) for name, digest in source["input_digests"].items()]
    rows += [(f"version of {name}", text) for name, text in source["versions"].items()]
    caption = "Seed, SHA-256 of the inputs, versions"
    table = Table(("What", "Value"), tuple(rows), caption, folded=True)
    return Group((Sentences((text,)), table))
