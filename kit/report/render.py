"""Run a study's notebook template and write its report: page, numbers, figures, executed notebook.

The notebook runs in a real kernel by papermill, in the study folder, so that no path of the machine enters it.
What is written replaces the earlier report as a whole; if a cell fails the earlier report stays and the
failed notebook is left beside it.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from kit.errors import RenderError, UsageError
from kit.report.document import Answer, Document
from kit.report.freshness import made_from, stamp_of
from kit.report.kernel import ForkedKernel, can_fork
from kit.report.lock import only_writer
from kit.report.notebook import Notebook, clean, document_of, error_of, results_of
from kit.report.preload import preload_notebook
from kit.report.run import check_parameters, run_template
from kit.report.stage import clear_up, replace_folder
from kit.report.write import failure_text, leave_failed, write_report
from kit.study.intake import take_in
from kit.study.resources import resource_folder

__all__ = [
    "Rendered",
    "check_parameters",
    "is_current",
    "render_report",
    "report_folder",
    "template_path",
]

MAIN_TEMPLATE = "surface"
REPORT = "report"


@dataclass(frozen=True)
class Rendered:
    """Where a report lies and what it found.

    Attributes
    ----------
    folder : Path
        Holds ``index.html``, ``figures/``, the executed notebook and, where the template computes one, ``results.json``.
    results : dict or None
        The contents of ``results.json``.
    sentence : str
        The answer in a sentence; empty when the page has none.
    """

    folder: Path
    results: dict[str, Any] | None
    sentence: str

    @property
    def page(self) -> Path:
        """The page to open."""
        return self.folder / "index.html"


def template_path(name: str) -> Path:
    """Find a template by its name without number, such as ``surface``.

    Returns
    -------
    Path

    Raises
    ------
    UsageError
        If there is no such template.
    """
    notebooks = sorted(
        resource_folder("templates").glob("[1-9]*.ipynb")
    )  # 0 is the home page, no report
    found = {p.stem.split("-", 1)[-1]: p for p in notebooks}
    if name not in found:
        raise UsageError(f"no template {name!r}; templates are {', '.join(found)}.")
    return found[name]


def report_folder(study: Path, template: str) -> Path:
    """Give the folder of a template's report: the surface goes to ``report/`` itself."""
    return study / REPORT if template == MAIN_TEMPLATE else study / REPORT / template


def render_report(
    study: str | Path,
    *,
    template: str = MAIN_TEMPLATE,
    parameters: Mapping[str, Any] | None = None,
    progress: bool = False,
    painter: bool = True,
) -> Rendered:
    """Render one report of a study.

    Parameters
    ----------
    study : str or Path
        The study folder.
    template : str
        Which notebook, by its plain name.
    parameters : mapping, optional
        Options of the template other than ``study``; names and types are checked before anything runs.
    progress : bool
        Show a progress bar on stderr.
    painter : bool
        Whether a second process may draw half of the pictures; for a single report that somebody waits for.

    Returns
    -------
    Rendered

    Raises
    ------
    StudyError
        If the study has problems; nothing was run.
    RenderError
        If an option is unknown or of the wrong type, or a cell failed.
    """
    folder = Path(study).resolve()
    source = template_path(template)
    options = dict(parameters or {})
    # Forked first of all, so that it loads what the notebook needs while this process loads and checks its own.
    load = partial(preload_notebook, source)
    kernel = ForkedKernel(load, painter=painter) if can_fork() else None
    try:
        check_parameters(source, options)
        take_in(folder)  # all problems of the files, before a notebook runs
        with only_writer(folder, say=_to_stderr if progress else _to_nobody):
            return _render(folder, template, options, kernel, progress=progress)
    finally:
        if kernel is not None:
            kernel.close()


def is_current(folder: Path, template: str, options: Mapping[str, Any]) -> bool:
    """Tell whether a report is there and rendering it again would give the same."""
    stamp = stamp_of(report_folder(folder, template))
    return stamp is not None and stamp == made_from(folder, template_path(template), options)


def _render(
    folder: Path,
    template: str,
    options: dict[str, Any],
    kernel: ForkedKernel | None,
    *,
    progress: bool,
) -> Rendered:
    source, target = template_path(template), report_folder(folder, template)
    clear_up(target)
    stamp = made_from(
        folder, source, options
    )  # before the run: what changes meanwhile counts as a change
    notebook = run_template(source, folder, options, progress=progress, kernel=kernel)
    depth = len(target.relative_to(folder).parts)
    clean(notebook, "/".join([".."] * depth))
    failure = error_of(notebook)
    if failure is not None:
        leave_failed(notebook, target, template, folder)
        raise RenderError(failure_text(failure, target, template, folder))
    return _publish(notebook, target, template, stamp)


def _publish(notebook: Notebook, target: Path, template: str, stamp: str) -> Rendered:
    document, results = document_of(notebook), results_of(notebook)

    def fill(stage: Path) -> None:
        write_report(stage, document, notebook, template, results, stamp)

    target.parent.mkdir(parents=True, exist_ok=True)
    others = [p.name for p in target.glob("*") if p.is_dir() and p.name != "figures"]
    replace_folder(target, fill, keep=others)
    return Rendered(target, results, _sentence(document))


def _sentence(document: Document) -> str:
    return next((b.sentence for b in document.blocks if isinstance(b, Answer)), "")


def _to_stderr(text: str) -> None:
    sys.stderr.write(text + "\n")


def _to_nobody(text: str) -> None:
    """Keep quiet."""
