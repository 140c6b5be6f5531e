"""Writing a report's folder: page, numbers, figures, executed notebook; or a failed notebook beside the old report."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from kit import errors
from kit.report.document import Document, FigureBlock
from kit.report.freshness import STAMP
from kit.report.html import page_html
from kit.report.notebook import Notebook

HEAD = '<meta charset="utf-8">'


def write_report(
    stage: Path,
    document: Document,
    notebook: Notebook,
    template: str,
    results: dict[str, Any] | None,
    made_from: str,
) -> None:
    """Write all files of a report.

    Parameters
    ----------
    stage : Path
        An empty folder.
    document : Document
        The page.
    notebook : NotebookNode
        Executed and cleaned.
    template : str
        Its plain name, which names the file.
    results : dict or None
        The contents of ``results.json``, where the template computes one.
    made_from : str
        The stamp of `kit.report.freshness`; goes into the page's head.
    """
    import nbformat

    (stage / "figures").mkdir()
    for block in document.blocks:
        if isinstance(block, FigureBlock):
            (stage / "figures" / f"{block.name}.png").write_bytes(block.data)
    if results is not None:
        (stage / "results.json").write_text(results_text(results), encoding="utf-8", newline="\n")
    text = nbformat.writes(notebook) + "\n"  # type: ignore[no-untyped-call]
    (stage / f"{template}.ipynb").write_text(text, encoding="utf-8", newline="\n")
    page = page_html(document, footer=_footer(results))
    page = page.replace(HEAD, f'{HEAD}\n<meta name="{STAMP}" content="{made_from}">', 1)
    (stage / "index.html").write_text(page, encoding="utf-8", newline="\n")


def results_text(numbers: Mapping[str, Any]) -> str:
    """Give the text of ``results.json``: the same numbers, the same bytes."""
    return json.dumps(numbers, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _footer(results: Mapping[str, Any] | None) -> str:
    from importlib.metadata import version

    made = f"Made by testprint-kit {version('testprint-kit')} from the study's files"
    return f"{made}, digest {results['digest'][:12]}." if results else f"{made}."


def _failed_name(template: str) -> str:
    return f"{template}.failed.ipynb"


def leave_failed(notebook: Notebook, target: Path, template: str, folder: Path) -> None:
    """Leave the failed notebook beside the earlier report, with the paths of this machine taken out.

    Parameters
    ----------
    notebook : NotebookNode
        Executed as far as it came.
    target : Path
        The report's folder.
    template : str
        Its plain name.
    folder : Path
        The study folder.
    """
    import nbformat

    text: str = nbformat.writes(notebook)  # type: ignore[no-untyped-call]
    for path, name in ((folder, "STUDY"), (Path(sys.prefix), "PYTHON"), (Path.home(), "HOME")):
        text = text.replace(json.dumps(str(path))[1:-1], name)
    target.mkdir(parents=True, exist_ok=True)
    (target / _failed_name(template)).write_text(text + "\n", encoding="utf-8", newline="\n")


def failure_text(failure: tuple[str, str], target: Path, template: str, folder: Path) -> str:
    """Say what failed, where to look, and what stands; the kit's own errors speak for themselves."""
    name, text = failure
    where = (target / _failed_name(template)).relative_to(folder).as_posix()
    stands = " The earlier report was kept." if (target / "index.html").exists() else ""
    own = getattr(errors, name, None) is not None
    said = text if own else f"the notebook failed with {name}: {text}"
    return f"{said}\nNo report was written; the notebook as far as it came: {where}.{stands}"
