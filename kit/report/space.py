"""The studies of a space on one page: what was found, on which printer, and whether it still holds."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import quote

from kit.errors import PublishError, StudyError
from kit.report.numbers import overall_digest
from kit.report.page_style import STYLE
from kit.report.standing import standing_of
from kit.report.wiki.advice import choice_of
from kit.report.wording import settings_line
from kit.saying import counted, percent
from kit.study.folder import PAGE_FILE, REPORT_FOLDER, RESULTS_FILE, STUDY_FILE, write_whole
from kit.study.intake import take_in
from kit.study.progress import planned_runs
from kit.study.status import report_home

OTHER_REPORTS = ("compare", "screening", "small-steps", "gauge", "plan")
"""Templates that seek no settings, the most telling first."""

COLUMNS = ("Study", "Material", "Printer", "Settings", "Chance", "Standing", "Date")

_SORTING = """
for (const button of document.querySelectorAll("th button")) button.addEventListener("click", () => {
  const head = button.closest("th"), body = head.closest("table").tBodies[0], at = head.cellIndex;
  const down = head.getAttribute("aria-sort") === "ascending";
  for (const other of head.parentNode.cells) other.setAttribute("aria-sort", "none");
  head.setAttribute("aria-sort", down ? "descending" : "ascending");
  const key = row => row.cells[at].dataset.key || row.cells[at].textContent;
  const order = new Intl.Collator(undefined, {numeric: true}).compare;
  body.append(...[...body.rows].sort((a, b) => (down ? -1 : 1) * order(key(a), key(b))));
});
"""

_LOOKS = """
main { max-width: 68rem; }
td:nth-child(5), td:nth-child(7), th button { white-space: nowrap; }
th button { font: inherit; font-weight: 600; background: none; border: 0; padding: 0; cursor: pointer; color: inherit; text-align: left; }
th button::after { content: " \\2195"; opacity: 0.6; }
th[aria-sort=ascending] button::after { content: " \\2191"; opacity: 1; }
th[aria-sort=descending] button::after { content: " \\2193"; opacity: 1; }
tr.unusable td:nth-child(4) { text-decoration: line-through; }
"""


@dataclass(frozen=True)
class Entry:
    """One study of a space.

    Attributes
    ----------
    folder : str
        Relative to the space.
    title, material, printer, settings, chance, standing, date : str
        As shown; empty = not known.
    probability : float
        For sorting; -1 = none.
    usable : bool
        Whether anybody should set a printer by it.
    link : str
        The report's page, relative to the space; empty = none.
    note : str
        What is wrong with it.
    """

    folder: str
    title: str
    material: str = ""
    printer: str = ""
    settings: str = ""
    chance: str = ""
    standing: str = ""
    date: str = ""
    probability: float = -1.0
    usable: bool = False
    link: str = ""
    note: str = ""


def write_index(space: str | Path) -> Path:
    """Write ``index.html`` for all studies of a space.

    Parameters
    ----------
    space : str or Path
        A folder; every folder in it (at any depth) with a ``study.toml`` is a study, but not those inside a
        study, such as the copy of a donor.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    PublishError
        If the folder holds no study, or an ``index.html`` that this function did not write.
    """
    space = Path(space)
    entries = space_entries(space)
    if not entries:
        raise PublishError(f"{space.name} holds no study: no folder in it has a {STUDY_FILE}.")
    page = space / PAGE_FILE
    if page.exists() and MARK not in page.read_text(encoding="utf-8", errors="replace"):
        raise PublishError(
            f"{space.name}/{PAGE_FILE} is somebody else's page; it was not overwritten."
        )
    write_whole(page, index_html(entries))
    return page


def space_entries(space: Path) -> list[Entry]:
    """Read all studies of a space, in the order of their folders.

    Parameters
    ----------
    space : Path
        The folder that holds them.

    Returns
    -------
    list of Entry
        A study that cannot be read is there, with a note.
    """
    folders = sorted(
        p.parent for p in space.rglob(STUDY_FILE) if not _inside_output(p.relative_to(space))
    )
    outer = [f for f in folders if f != space and not _inside_study(f, space)]
    return [_entry(space, folder) for folder in outer]


def _inside_study(folder: Path, space: Path) -> bool:
    """Tell whether a folder lies inside another study of the space."""
    between = folder.relative_to(space).parents
    return any((space / p / STUDY_FILE).is_file() for p in between if p != Path())


def _inside_output(path: Path) -> bool:
    return any(
        part.startswith(".") or part in (REPORT_FOLDER, "published") for part in path.parts[:-1]
    )


def _entry(space: Path, folder: Path) -> Entry:
    name = folder.relative_to(space).as_posix()
    link = _link(folder, name, REPORT_FOLDER)
    try:
        data = take_in(folder)
    except StudyError as error:
        problems = counted(len(error.problems), "problem")
        return Entry(
            name,
            folder.name,
            standing="cannot be read",
            link=link,
            note=f"{problems}: testprint check {name}",
        )
    study, home = data.study, report_home(data)
    facts = Entry(
        name,
        study.title,
        material=", ".join(t for t in (study.material.polymer, study.material.colour) if t)
        or study.material.name,
        printer=study.printer.name,
        date=study.date.isoformat() if study.date else "",
        link=_link(folder, name, home),
    )
    results = _results(folder / home)
    if results is None:
        return _without_settings(facts, folder)
    planned = planned_runs(data.runs)
    standing = standing_of(results, withdrawn=study.withdrawn, planned=planned)
    stale = not _made_from(results, data.digests)
    choice = choice_of(results)
    shown: dict[str, Any] = {"standing": standing.word, "usable": standing.usable and not stale}
    if stale:
        shown |= {
            "standing": f"stale; {standing.word}",
            "note": "files were changed after the report was made",
        }
    elif study.withdrawn:
        shown["note"] = study.withdrawn
    if choice is not None and set(choice["settings"]) == {f.name for f in study.factors}:
        shown["settings"] = settings_line(study, choice["settings"])
        if choice["probability"] is not None:
            shown |= {
                "chance": percent(choice["probability"]),
                "probability": float(choice["probability"]),
            }
    return _with(facts, **shown)


def _made_from(results: Mapping[str, Any], digests: Mapping[str, str]) -> bool:
    """Tell whether a report was made from the study's files as they are; an adopter's names its donor's files as well."""
    if results.get("digest") == overall_digest(digests):
        return True
    source = results.get("provenance")
    made_from = source.get("input_digests") if isinstance(source, dict) else None
    mine = {k: v for k, v in (made_from or {}).items() if not str(k).startswith("donor/")}
    return "donor" in results and mine == dict(digests)


def _link(folder: Path, name: str, home: str) -> str:
    return f"{name}/{home}/{PAGE_FILE}" if (folder / home / PAGE_FILE).is_file() else ""


def _without_settings(facts: Entry, folder: Path) -> Entry:
    """Give the line of a study without a report on settings: a comparison or a screening may be there."""
    for template in OTHER_REPORTS:
        link = _link(folder, facts.folder, f"{REPORT_FOLDER}/{template}")
        if link:
            return _with(facts, standing=f"{template.replace('-', ' ')} only", link=link)
    return _with(facts, standing="no report yet")


def _with(entry: Entry, **changes: Any) -> Entry:  # noqa: ANN401 - fields of Entry
    from dataclasses import replace

    return replace(entry, **changes)


def _results(folder: Path) -> Mapping[str, Any] | None:
    path = folder / RESULTS_FILE
    try:
        results = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return results if isinstance(results, dict) else None


MARK = '<meta name="generator" content="testprint index">'


def index_html(entries: list[Entry]) -> str:
    """Give the page: works without scripts, sorts with them.

    Parameters
    ----------
    entries : list of Entry
        One a study.

    Returns
    -------
    str
        A complete HTML document.
    """
    usable = [e for e in entries if e.usable]
    confirmed = sum(e.standing == "confirmed" for e in usable)
    head = "".join(
        f'<th scope="col" aria-sort="none"><button type="button">{escape(c)}</button></th>'
        for c in COLUMNS
    )
    rows = "".join(map(_row, entries))
    summary = f"{counted(len(entries), 'study', 'studies')}; {len(usable)} with settings to set a printer by, {confirmed or 'none'} of them confirmed."
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
{MARK}
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Studies of this space</title>
<style>{STYLE}{_LOOKS}</style>
</head>
<body>
<main>
<h1>Studies of this space</h1>
<p>{escape(summary)} Settings hold for the printer and spool that were tried; each page says what they are good for.</p>
<div class="scroll" tabindex="0"><table>
<thead><tr>{head}</tr></thead>
<tbody>
{rows}</tbody>
</table></div>
</main>
<script>{_SORTING}</script>
</body>
</html>
"""


def _row(entry: Entry) -> str:
    title = escape(entry.title)
    if entry.link:
        title = f'<a href="{escape(quote(entry.link))}">{title}</a>'
    note = f"<br><small>{escape(entry.note)}</small>" if entry.note else ""
    key = f"{entry.probability:.6f}" if entry.probability >= 0 else "-1"
    cells = [
        f'<th scope="row">{title}</th>',
        *(f"<td>{escape(t) or '–'}</td>" for t in (entry.material, entry.printer, entry.settings)),
        f'<td data-key="{key}">{escape(entry.chance) or "–"}</td>',
        f"<td>{escape(entry.standing)}{note}</td>",
        f"<td>{escape(entry.date) or '–'}</td>",
    ]
    kind = "" if entry.usable else ' class="unusable"'
    return f"<tr{kind}>{''.join(cells)}</tr>\n"
