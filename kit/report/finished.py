"""A finished report as it lies in the study folder, checked to belong to the study's files of today."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import nbformat

from kit.errors import PublishError
from kit.report.document import Document
from kit.report.notebook import document_of, error_of, results_of
from kit.report.numbers import overall_digest
from kit.report.render import MAIN_TEMPLATE, report_folder
from kit.study.data import StudyData
from kit.study.description import Study
from kit.study.folder import RESULTS_FILE
from kit.study.intake import take_in


@dataclass(frozen=True)
class FinishedReport:
    """A study with its report.

    Attributes
    ----------
    folder : Path
        The study folder.
    data : StudyData
        As taken in now.
    document : Document
        The page, from the executed notebook.
    results : dict
        The contents of ``results.json``.
    """

    folder: Path
    data: StudyData
    document: Document
    results: dict[str, Any]

    @property
    def study(self) -> Study:
        """The description."""
        return self.data.study

    @property
    def report(self) -> Path:
        """The report's folder."""
        return report_folder(self.folder, MAIN_TEMPLATE)

    @property
    def notebook(self) -> Path:
        """The executed notebook."""
        return self.report / f"{MAIN_TEMPLATE}.ipynb"


def read_report(folder: str | Path) -> FinishedReport:
    """Read a study's report back.

    Parameters
    ----------
    folder : str or Path
        The study folder.

    Returns
    -------
    FinishedReport

    Raises
    ------
    PublishError
        If there is no report, if it was made from other files than lie there now, or if its notebook
        stopped at an error or has cells that were not run.
    StudyError
        With all problems of the study's files.
    """
    folder = Path(folder)
    data = take_in(folder)
    notebook_path = report_folder(folder, MAIN_TEMPLATE) / f"{MAIN_TEMPLATE}.ipynb"
    again = f"Make the report first: testprint report {folder.name}"
    if not notebook_path.is_file() or not (notebook_path.parent / RESULTS_FILE).is_file():
        raise PublishError(f"{folder.name} has no report yet. {again}")
    notebook = nbformat.read(notebook_path, as_version=4)  # type: ignore[no-untyped-call]
    failure = error_of(notebook)
    if failure is not None:
        raise PublishError(f"The report's notebook stopped with {failure[0]}. {again}")
    unrun = [
        c
        for c in notebook.cells
        if c.cell_type == "code" and c.source.strip() and c.execution_count is None
    ]
    if unrun:
        raise PublishError(f"{len(unrun)} cells of the report's notebook were not run. {again}")
    results = results_of(notebook)
    if results is None:
        raise PublishError(f"The report's notebook carries no numbers. {again}")
    if results["digest"] != overall_digest(data.digests):
        raise PublishError(f"The study's files were changed after the report was made. {again}")
    return FinishedReport(folder, data, document_of(notebook), results)
