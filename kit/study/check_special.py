"""Special fits that a study asks for: spread by setting, and what cannot go together with it."""

from __future__ import annotations

from collections.abc import Iterator

from kit.study.description import Response, Study
from kit.study.lines import KeyPath
from kit.study.nearest import nearest

Finding = tuple[KeyPath, str]


def special_findings(study: Study) -> Iterator[Finding]:
    """Find what is wrong with the special fits asked for.

    Parameters
    ----------
    study : Study
        A draft: responses and factors may lack anything.

    Yields
    ------
    tuple of KeyPath and str
        Where, and what to do.
    """
    names = [f.name for f in study.factors]
    for i, response in enumerate(study.responses):
        for text in _spread(response, names, study):
            yield ("response", i, "spread"), text
    for text in _selection(study):
        yield ("model", "selection"), text


def _selection(study: Study) -> Iterator[str]:
    if study.model.selection == "none":
        return
    if study.random_blocks or study.model.random:
        yield (
            "terms are not selected beside random groups of prints; delete the key and name terms, or write "
            'blocks = "fixed".'
        )
    uneven = [r.name for r in study.responses if r.spread]
    if uneven:
        yield f"terms are not selected beside a spread by setting ({', '.join(uneven)}); delete one of the two."


def _spread(response: Response, names: list[str], study: Study) -> Iterator[str]:
    for name in response.spread:
        if name not in names:
            alike = nearest(name, names)
            hint = f"did you mean {alike!r}?" if alike else f"there are {', '.join(names)}."
            yield f"{name!r} is no factor of this study; {hint}"
    if len(set(response.spread)) < len(response.spread):
        yield "a factor is named twice; name each once."
    if not response.spread:
        return
    if response.passes_or_fails:
        yield "a pass/fail response has no scatter; delete the key."
    if response.scale != "as_measured":
        yield (
            "another scale and a spread by setting are two ways to deal with the same unevenness; delete one of scale and "
            "spread."
        )
    if study.random_blocks or study.model.random:
        yield (
            "a spread by setting is not fitted beside random groups of prints; delete the key, or write "
            'blocks = "fixed" under [model].'
        )
