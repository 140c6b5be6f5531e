"""Run a study's notebook template and write its report: page, numbers, figures, executed notebook.

The notebook runs in a real kernel by papermill, in the study folder, so that no path of the machine enters it.
What is written replaces the earlier report as a whole; if a cell fails the earlier report stays and the
failed notebook is left beside it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kit.errors import RenderError
from kit.report.document import Document, FigureBlock
from kit.report.html import page_html
from kit.report.notebook import Notebook, clean, document_of, error_of, results_of
from kit.report.results import results_text
from kit.report.stage import replace_folder
from kit.study.intake import take_in
from kit.study.resources import resource_folder

MAIN_TEMPLATE = "surface"
REPORT = "report"

_TYPES: dict[str, tuple[type, ...]] = {
    "str": (str,),
    "int": (int,),
    "float": (float, int),
    "bool": (bool,),
    "list": (list,),
}


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
    RenderError
        If there is no such template.
    """
    found = {
        p.stem.split("-", 1)[-1]: p for p in sorted(resource_folder("templates").glob("*.ipynb"))
    }
    if name not in found:
        raise RenderError(f"no template {name!r}; templates are {', '.join(found)}.")
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
    check_parameters(source, options)
    take_in(folder)  # all problems of the files, before a kernel starts
    target = report_folder(folder, template)
    notebook = _run(source, folder, options, progress=progress)
    depth = len(target.relative_to(folder).parts)
    clean(notebook, "/".join([".."] * depth))
    failure = error_of(notebook)
    if failure is not None:
        _leave_failed(notebook, target, template, folder)
        raise RenderError(_failure_text(failure, target, template, folder))
    document, results = document_of(notebook), results_of(notebook)

    def fill(stage: Path) -> None:
        _write(stage, document, notebook, template, results)

    target.parent.mkdir(parents=True, exist_ok=True)
    others = [p.name for p in target.glob("*") if p.is_dir() and p.name != "figures"]
    replace_folder(target, fill, keep=others)
    return Rendered(target, results, _sentence(document))


def check_parameters(template: Path, options: Mapping[str, Any]) -> None:
    """Refuse options that the template does not know, or of another type than its default.

    papermill itself would only log an unknown name and render with the default.

    Raises
    ------
    RenderError
        Naming the option, what was given and what is allowed.
    """
    known = _papermill().inspect_notebook(str(template))
    allowed = [name for name in known if name != "study"]
    for name, value in options.items():
        if name not in allowed:
            choice = ", ".join(allowed) or "none"
            raise RenderError(f"option {name!r} is unknown; options of this notebook: {choice}.")
        wanted = str(known[name]["inferred_type_name"]).split("[")[0]
        fits = isinstance(value, _TYPES.get(wanted, (object,)))
        if not fits or (isinstance(value, bool) and wanted != "bool"):
            raise RenderError(f"option {name}: got {value!r}, expected {wanted}.")


def _papermill() -> Any:  # noqa: ANN401 - untyped library
    # Importing papermill compiles a grammar for internationalised addresses that no notebook schema uses
    # (1.4 s); the import is optional, so it is switched off.
    sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
    import papermill

    return papermill


def _run(source: Path, folder: Path, options: dict[str, Any], *, progress: bool) -> Notebook:
    """Execute the template; give the notebook whether its cells failed or not."""
    import tempfile

    papermill = _papermill()
    import nbformat
    from papermill.exceptions import PapermillExecutionError

    with tempfile.TemporaryDirectory(prefix="testprint-") as scratch:
        target = Path(scratch) / source.name
        # When a cell fails papermill raises, after writing the notebook in which the failure stands.
        with suppress(PapermillExecutionError):
            papermill.execute_notebook(
                str(source),
                str(target),
                parameters={"study": ".", **json.loads(json.dumps(options))},
                cwd=str(folder),
                progress_bar={"desc": "Report", "leave": False} if progress else False,
                kernel_name="python3",
                extra_arguments=["--log-level=40"],
            )
        return nbformat.read(target, as_version=4)  # type: ignore[no-untyped-call]


def _write(
    stage: Path,
    document: Document,
    notebook: Notebook,
    template: str,
    results: dict[str, Any] | None,
) -> None:
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
    (stage / "index.html").write_text(page, encoding="utf-8", newline="\n")


def _footer(results: Mapping[str, Any] | None) -> str:
    from importlib.metadata import version

    made = f"Made by testprint-kit {version('testprint-kit')} from the study's files"
    return f"{made}, digest {results['digest'][:12]}." if results else f"{made}."


def _sentence(document: Document) -> str:
    from kit.report.document import Answer

    return next((b.sentence for b in document.blocks if isinstance(b, Answer)), "")


def _failed_name(template: str) -> str:
    return f"{template}.failed.ipynb"


def _leave_failed(notebook: Notebook, target: Path, template: str, folder: Path) -> None:
    """Leave the failed notebook beside the earlier report, with the paths of this machine taken out."""
    import nbformat

    text: str = nbformat.writes(notebook)  # type: ignore[no-untyped-call]
    for path, name in ((folder, "STUDY"), (Path(sys.prefix), "PYTHON"), (Path.home(), "HOME")):
        text = text.replace(json.dumps(str(path))[1:-1], name)
    target.mkdir(parents=True, exist_ok=True)
    (target / _failed_name(template)).write_text(text + "\n", encoding="utf-8", newline="\n")


def _failure_text(failure: tuple[str, str], target: Path, template: str, folder: Path) -> str:
    name, text = failure
    where = (target / _failed_name(template)).relative_to(folder).as_posix()
    stands = " The earlier report was kept." if (target / "index.html").exists() else ""
    own = name in {
        "ModelError",
        "NotEstimableError",
        "MeasurementError",
        "DesignError",
        "StudyError",
    }
    said = text if own else f"the notebook failed with {name}: {text}"
    return f"{said}\nNo report was written; the notebook as far as it came: {where}.{stands}"
