"""Sections and keys of ``study.toml``: which there are, and in the maker's words what is wrong with a value.

Every section is validated on its own, so that a fault in one does not hide faults in another; keys at fault
are set aside and the rest of the section still stands for the checks that follow.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from pydantic import ValidationError

from kit.study.description import (
    Adopt,
    Curves,
    Design,
    Factor,
    Material,
    ModelChoice,
    Printer,
    Response,
    Section,
    Specimen,
    Study,
    WindowChoice,
)
from kit.study.explain import explain, section_keys
from kit.study.lines import KeyPath
from kit.study.nearest import echo, nearest, suggestion

SINGLE: Mapping[str, type[Section]] = {
    "material": Material,
    "printer": Printer,
    "specimen": Specimen,
    "design": Design,
    "model": ModelChoice,
    "window": WindowChoice,
    "curves": Curves,
    "adopt": Adopt,
}
REPEATED: Mapping[str, type[Section]] = {"factor": Factor, "response": Response}
HEAD = ("title", "question", "scope", "seed", "date", "authors", "licence", "withdrawn")

_S = TypeVar("_S", bound=Section)


@dataclass
class Draft:
    """A study as far as it could be read.

    Attributes
    ----------
    study : Study
        Not validated as a whole: defaults stand where something is broken.
    findings : list of (KeyPath, str)
        What is wrong.
    broken : set of KeyPath
        Keys, sections and list entries whose value is unknown.
    spelt : dict of KeyPath to str
        Misspelt words that were taken for the right ones, so that what they hold is checked as well.
    """

    study: Study
    findings: list[tuple[KeyPath, str]] = field(default_factory=list)
    broken: set[KeyPath] = field(default_factory=set)
    spelt: dict[KeyPath, str] = field(default_factory=dict)

    def written(self, path: KeyPath) -> KeyPath:
        """Give a path as the file spells it, where a misspelt section or key was taken for the right one."""
        return tuple(self.spelt.get(path[: i + 1], part) for i, part in enumerate(path))

    def is_broken(self, *path: str | int) -> bool:
        """Whether the value at this path, or something that holds it, is unknown."""
        return any(path[:length] in self.broken for length in range(1, len(path) + 1))


def draft_study(raw: Mapping[str, Any], unknown: set[KeyPath]) -> Draft:
    """Validate section by section.

    Parameters
    ----------
    raw : mapping
        What the TOML says.
    unknown : set of KeyPath
        Keys known to be there, but not with which value.

    Returns
    -------
    Draft
    """
    draft = Draft(Study.model_construct(title=""), broken=set(unknown))
    top = {k: _tuples(v) for k, v in raw.items()}
    _unknown_sections(draft, top)
    parts: dict[str, Any] = _head(draft, top)
    for name, cls in SINGLE.items():
        parts[name] = _single(draft, name, cls, top.get(name, {}))
    for name, cls in REPEATED.items():
        parts[name] = _repeated(draft, name, cls, top.get(name))
    draft.study = Study.model_construct(**parts)
    return draft


def _tuples(value: object) -> object:
    """Turn lists into tuples, which frozen sections hold; tables stay tables."""
    if isinstance(value, list):
        return tuple(_tuples(v) for v in value)
    if isinstance(value, dict):
        return {k: _tuples(v) for k, v in value.items()}
    return value


def _unknown_sections(draft: Draft, top: dict[str, Any]) -> None:
    known = [*HEAD, *SINGLE, *REPEATED]
    for key in list(top):
        if key in known:
            continue
        home = next((s for s, c in {**SINGLE, **REPEATED}.items() if key in section_keys(c)), None)
        is_section = isinstance(top[key], Mapping) or _is_tables(top[key])
        alike = nearest(key, [*SINGLE, *REPEATED] if is_section else HEAD)
        if home and not is_section and alike is None:
            draft.findings.append(
                ((key,), f"unknown here; {key} belongs in the section {_bracketed(home)}.")
            )
            draft.broken.add((home, key))
            continue
        what = "section" if is_section else "key"
        words = [_bracketed(s) for s in (*SINGLE, *REPEATED)] if is_section else list(HEAD)
        hint = f"there are {', '.join(words)}."
        if alike:
            hint = f"did you mean {_bracketed(alike) if is_section else repr(alike)}?"
        draft.findings.append(((key,), f"unknown {what} {key!r}; {hint}"))
        if alike and alike not in top:
            top[alike] = top[key]
            draft.spelt[(alike,)] = key


def _bracketed(section: str) -> str:
    return f"[[{section}]]" if section in REPEATED else f"[{section}]"


def _is_tables(value: object) -> bool:
    return isinstance(value, tuple) and bool(value) and all(isinstance(v, Mapping) for v in value)


def _head(draft: Draft, top: Mapping[str, Any]) -> dict[str, Any]:
    """Validate the keys before the first section."""
    given = {k: top[k] for k in HEAD if k in top and (k,) not in draft.broken}
    stand_ins = {"factor": (Factor(name="a"),), "response": (Response(name="b"),)}
    whole, broken = _tolerant(draft, (), Study, {**given, **stand_ins}, fallback={"title": ""})
    if "title" in broken and "title" not in top and ("title",) not in draft.broken:
        text = 'the study needs a title: write title = "..." at the top, before the first section.'
        draft.findings.append((("title",), text))
    return {k: getattr(whole, k) for k in HEAD}


def _single(draft: Draft, name: str, cls: type[_S], given: object) -> _S:
    """Validate a section that stands once."""
    if (name,) in draft.broken:
        return cls()
    if not isinstance(given, Mapping):
        wanted = (
            f"[{name}] stands once, in single brackets; join its parts."
            if _is_tables(given)
            else f"[{name}] is a section of its own."
        )
        draft.findings.append(
            ((name,), f"found {echo(given) if not _is_tables(given) else f'[[{name}]]'}; {wanted}")
        )
        draft.broken.add((name,))
        return cls()
    return _tolerant(draft, (name,), cls, _known_keys(draft, (name,), cls, given))[0]


def _repeated(draft: Draft, name: str, cls: type[_S], given: object) -> tuple[_S, ...]:
    """Validate a list of sections, each on its own."""
    if (name,) in draft.broken:
        return ()
    example = f'[[{name}]]\\nname = "..."'
    if given is None or given == ():
        text = f"the study needs at least one {name}: add a section {_bracketed(name)} with a name."
        draft.findings.append(((name,), text))
    elif isinstance(given, Mapping):
        draft.findings.append(
            (
                (name,),
                f"found [{name}]; write [[{name}]] with double brackets, once for each {name}.",
            )
        )
        given = (given,)
    elif not _is_tables(given):
        draft.findings.append(
            ((name,), f"found {echo(given)}; each {name} is a section of its own: {example}.")
        )
    if not _is_tables(given):
        draft.broken.add((name,))
        return ()
    assert isinstance(given, tuple)
    return tuple(_entry(draft, (name, i), cls, entry) for i, entry in enumerate(given))


def _entry(draft: Draft, path: KeyPath, cls: type[_S], given: Mapping[str, Any]) -> _S:
    values = _known_keys(draft, path, cls, given)
    section, _ = _tolerant(draft, path, cls, values, fallback={"name": ""})
    if "name" not in values and (*path, "name") not in draft.broken:
        draft.broken.add((*path, "name"))
        draft.findings.append(
            (
                path,
                f'this {path[0]} has no name; write name = "..." below {_bracketed(str(path[0]))}.',
            )
        )
    return section


def _known_keys(
    draft: Draft, path: KeyPath, cls: type[Section], given: Mapping[str, Any]
) -> dict[str, Any]:
    """Set aside unknown keys, each with the nearest right one or the section it belongs to."""
    known = section_keys(cls)
    values = dict(given)
    for key in given:
        if key in known:
            continue
        del values[key]
        others = {**SINGLE, **REPEATED}
        home = next((s for s, c in others.items() if key in section_keys(c)), None)
        alike = nearest(key, known)
        if alike is None and key in HEAD:
            hint = f"{key} belongs at the top, before the first section."
            draft.broken.add((key,))
        elif alike is None and home is not None:
            hint = f"{key} belongs in {_bracketed(home)}."
        else:
            hint = suggestion(key, known, kind="keys here")
        draft.findings.append(((*path, key), f"unknown key {key!r}; {hint}"))
        if alike is not None and alike not in values:
            values[alike] = given[key]
            draft.spelt[(*path, alike)] = key
    return {k: v for k, v in values.items() if (*path, k) not in draft.broken}


def _tolerant(
    draft: Draft,
    path: KeyPath,
    cls: type[_S],
    values: Mapping[str, Any],
    fallback: Mapping[str, Any] | None = None,
) -> tuple[_S, set[str]]:
    """Validate; note the keys at fault, drop them and validate what is left.

    Parameters
    ----------
    draft : Draft
        Takes the findings.
    path : KeyPath
        Of the section.
    cls : type of Section
        The section.
    values : mapping
        Known keys only.
    fallback : mapping, optional
        Stands in for required keys.

    Returns
    -------
    section : Section
    faults : set of str
        Keys that were missing or at fault.
    """
    values = dict(values)
    try:
        return cls.model_validate(values, strict=True), set()
    except ValidationError as error:
        faults: dict[str, str] = {}
        for detail in error.errors():
            faults.setdefault(str(detail["loc"][0]), detail["type"])
    for key, kind in faults.items():
        if kind != "missing" or key in values:
            draft.findings.append(((*path, key), explain(cls, key, values[key], kind)))
            draft.broken.add((*path, key))
    kept = {**(fallback or {}), **{k: v for k, v in values.items() if k not in faults}}
    return cls.model_validate(kept, strict=True), set(faults)
