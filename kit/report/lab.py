"""A study opened in JupyterLab: the templates beside it, pointed at it, with a home notebook."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from kit.errors import RenderError
from kit.study.folder import STUDY_FILE, write_whole
from kit.study.resources import resource_folder

FOLDER = "notebooks"
HOME = "0-home.ipynb"
_KEY = "testprint"
_START = (  # without compiling a grammar that no notebook needs it is there a second sooner
    "import sys; sys.modules.setdefault('rfc3987_syntax', None)\n"
    "from jupyterlab.labapp import main\nsys.exit(main())"
)


def lay_out(study: Path) -> tuple[Path, list[str]]:
    """Put the templates into a study's ``notebooks`` folder, pointed at the study.

    A notebook that the user changed is never overwritten; one whose cells are as the kit wrote them is renewed when the
    template has changed.

    Parameters
    ----------
    study : Path
        The study folder.

    Returns
    -------
    home : Path
        The home notebook.
    kept : list of str
        Notebooks that were changed by the user and so kept, although the kit has other ones now.

    Raises
    ------
    RenderError
        If there is no study.
    """
    if not (study / STUDY_FILE).is_file():
        raise RenderError(
            f"{study.name or study}: {STUDY_FILE} is missing, so this is no study. `testprint new FOLDER` describes one."
        )
    folder = study / FOLDER
    folder.mkdir(exist_ok=True)
    kept = []
    for template in sorted(resource_folder("templates").glob("*.ipynb")):
        text = pointed(template.read_text(encoding="utf-8"))
        target = folder / template.name
        old = _read(target)
        if target.exists() and (old is None or _made_from(old) != _digest(old)):
            if old is None or _digest(old) != _made_from(json.loads(text)):
                kept.append(template.name)
        elif old is None or _made_from(old) != _made_from(json.loads(text)):
            write_whole(target, text)
    return folder / HOME, kept


def pointed(text: str) -> str:
    """Point a template at the folder above it, and note what it was made from.

    Parameters
    ----------
    text : str
        A template.

    Returns
    -------
    str
        The notebook's text.
    """
    notebook = json.loads(text)
    for cell in notebook["cells"]:
        if "parameters" in cell["metadata"].get("tags", []):
            source = re.sub(
                r'(?m)^study: str = "[^"]*"', 'study: str = ".."', "".join(cell["source"])
            )
            cell["source"] = source.splitlines(keepends=True)
    notebook["metadata"][_KEY] = {"made_from": _digest(notebook)}
    return json.dumps(notebook, indent=1, ensure_ascii=False) + "\n"


def _digest(notebook: dict[str, Any]) -> str:
    sources = ["".join(c["source"]) for c in notebook["cells"]]
    return hashlib.sha256(json.dumps(sources).encode()).hexdigest()


def _made_from(notebook: dict[str, Any]) -> str:
    return str(notebook.get("metadata", {}).get(_KEY, {}).get("made_from", ""))


def _read(path: Path) -> dict[str, Any] | None:
    try:
        notebook = json.loads(path.read_text(encoding="utf-8"))
        return notebook if isinstance(notebook.get("cells"), list) else None
    except (OSError, ValueError, AttributeError):
        return None


def open_lab(
    study: Path, *, browser: bool = True, port: int | None = None, more: Sequence[str] = ()
) -> int:
    """Run JupyterLab on a study until it is stopped.

    Parameters
    ----------
    study : Path
        A study with its notebooks laid out; JupyterLab sees this folder and nothing above it.
    browser : bool
        Whether to open one.
    port : int, optional
        Default: the first free one from 8888 on.
    more : sequence of str
        Further options, handed to JupyterLab as they are.

    Returns
    -------
    int
        JupyterLab's exit code, where this process does not become JupyterLab itself.
    """
    command = [sys.executable, "-c", _START, f"--ServerApp.root_dir={study.resolve()}"]
    command += [f"--LabApp.default_url=/lab/tree/{FOLDER}/{HOME}"]
    command += ["--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate"]  # calls nobody
    command += [] if browser else ["--no-browser"]
    command += [] if port is None else [f"--ServerApp.port={port}"]
    command += more
    if os.name == "posix":  # become the server, so that whoever ends this process ends it
        sys.stdout.flush()
        os.execv(command[0], command)
    return subprocess.run(command, check=False).returncode
