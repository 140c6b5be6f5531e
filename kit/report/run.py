"""Running a template: papermill and a real kernel, forked from this process where that is possible."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from kit.errors import RenderError, UsageError
from kit.report.kernel import QUIET, ForkedKernel
from kit.report.notebook import Notebook
from kit.report.preload import preload_client

_TYPES: dict[str, tuple[type, ...]] = {
    "str": (str,),
    "int": (int,),
    "float": (float, int),
    "bool": (bool,),
    "list": (list,),
}


def check_parameters(template: Path, options: Mapping[str, Any]) -> None:
    """Refuse options that the template does not know, or of another type than its default.

    papermill itself would only log an unknown name and render with the default.

    Raises
    ------
    UsageError
        Naming the option, what was given and what is allowed.
    """
    known = _papermill().inspect_notebook(str(template))
    allowed = [name for name in known if name != "study"]
    for name, value in options.items():
        if name not in allowed:
            choice = ", ".join(allowed) or "none"
            raise UsageError(f"option {name!r} is unknown; options of this notebook: {choice}.")
        wanted = str(known[name]["inferred_type_name"]).split("[")[0]
        fits = isinstance(value, _TYPES.get(wanted, (object,)))
        if not fits or (isinstance(value, bool) and wanted != "bool"):
            raise UsageError(f"option {name}: got {value!r}, expected {wanted}.")


def _papermill() -> Any:  # noqa: ANN401 - untyped library
    preload_client()
    import papermill

    return papermill


def run_template(
    source: Path,
    folder: Path,
    options: Mapping[str, Any],
    *,
    progress: bool = False,
    kernel: ForkedKernel | None = None,
) -> Notebook:
    """Execute a template in a study folder.

    Parameters
    ----------
    source : Path
        The template.
    folder : Path
        The study folder; the notebook runs in it and knows it as ".".
    options : mapping
        Checked parameters of the template.
    progress : bool
        Show a progress bar on stderr.
    kernel : ForkedKernel, optional
        A waiting kernel. Without one, or should it not come to life, a fresh one is started.

    Returns
    -------
    NotebookNode
        The executed notebook, whether its cells failed or not.

    Raises
    ------
    RenderError
        If the kernel ends in the middle, or none can be started.
    """
    papermill = _papermill()
    settings: dict[str, Any] = {
        "parameters": {"study": ".", **json.loads(json.dumps(dict(options)))},
        "cwd": str(folder),
        "progress_bar": {"desc": "Report", "leave": False} if progress else False,
        "kernel_name": "python3",
        "extra_arguments": list(QUIET),
        "request_save_on_cell_execute": False,  # writing megabytes after every cell helps nobody
        "shutdown_kernel": "immediate",
    }
    if kernel is not None:
        from kit.report.forked import manager_for

        with suppress(RuntimeError):  # the process is gone, or lost the race for a port
            return _execute(
                papermill, source, {**settings, "kernel_manager_class": manager_for(kernel)}
            )
    try:
        return _execute(papermill, source, settings)
    except RuntimeError as error:
        raise RenderError(
            f"the notebook's kernel ended before the notebook did: {error}."
        ) from error


def _execute(papermill: Any, source: Path, settings: Mapping[str, Any]) -> Notebook:  # noqa: ANN401
    import nbformat
    from papermill.exceptions import PapermillExecutionError

    with tempfile.TemporaryDirectory(prefix="testprint-") as scratch:
        target = Path(scratch) / source.name
        try:
            return papermill.execute_notebook(str(source), str(target), **settings)
        except (
            PapermillExecutionError
        ):  # raised after writing the notebook in which the failure stands
            return nbformat.read(target, as_version=4)  # type: ignore[no-untyped-call]
