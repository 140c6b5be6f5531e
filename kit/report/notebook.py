"""From an executed notebook to a document, and an executed notebook made fit to be published.

Knows the notebook format and nothing of statistics or looks.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator
from typing import Any

from kit.report.document import (
    BLOCK_MIME,
    RESULTS_MIME,
    Block,
    Document,
    Heading,
    Prose,
    block_from_json,
    flatten,
    with_pictures,
)

_PICTURE = re.compile(r'src="data:image/png;base64,([^"]*)"')

Notebook = Any  # nbformat's NotebookNode, a dict with attributes


def document_of(notebook: Notebook) -> Document:
    """Build the page's document: Markdown cells and the blocks that code cells showed, in order.

    Parameters
    ----------
    notebook : NotebookNode
        An executed notebook. Cells tagged ``notebook-only`` stay out of the page.

    Returns
    -------
    Document
        Titled by the first level-1 heading.
    """
    blocks = flatten([b for cell in notebook.cells for b in _cell_blocks(cell)])
    titles = [b.text for b in blocks if isinstance(b, Heading) and b.level == 1]
    rest = tuple(b for b in blocks if not (isinstance(b, Heading) and b.level == 1))
    return Document(title=titles[0] if titles else "Report", blocks=rest)


def results_of(notebook: Notebook) -> dict[str, Any] | None:
    """Give the numbers that the notebook carries for ``results.json``, or None."""
    found = None
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            found = output.get("data", {}).get(RESULTS_MIME, found)
    return None if found is None else dict(json.loads(found["text"]))


def _cell_blocks(cell: Notebook) -> Iterator[Block]:
    if "notebook-only" in cell.metadata.get("tags", []):
        return
    if cell.cell_type == "markdown":
        yield from markdown_blocks(cell.source)
    for output in cell.get("outputs", []):
        stored = output.get("data", {}).get(BLOCK_MIME)
        if stored is not None:
            pictures = iter(_PICTURE.findall(output["data"]["text/html"]))
            yield block_from_json(with_pictures(stored, pictures))


def markdown_blocks(source: str) -> Iterator[Block]:
    """Split a Markdown cell into headings and the prose between them."""
    prose: list[str] = []
    for line in source.splitlines():
        match = re.fullmatch(r"(#{1,4})\s+(.*)", line)
        if match is None:
            prose.append(line)
            continue
        if "".join(prose).strip():
            yield Prose("\n".join(prose).strip())
        prose = []
        yield Heading(match[2].strip(), len(match[1]))
    if "".join(prose).strip():
        yield Prose("\n".join(prose).strip())


def clean(notebook: Notebook, study: str) -> Notebook:
    """Remove what differs from run to run or tells of the machine; works on the notebook given.

    Parameters
    ----------
    notebook : NotebookNode
        Executed by papermill.
    study : str
        Study folder as seen from where the notebook will lie, such as ``..``.

    Returns
    -------
    NotebookNode
        The same object: no times, paths, hidden parameters; warnings and log lines (stderr) dropped; the
        injected cell has a stable id.
    """
    for key in ("papermill", "widgets"):
        notebook.metadata.pop(key, None)
    notebook.metadata.get("language_info", {}).pop("version", None)
    for number, cell in enumerate(notebook.cells):
        for key in ("papermill", "execution", "trusted", "ExecuteTime"):
            cell.metadata.pop(key, None)
        if cell.metadata.get("tags") == []:
            cell.metadata.pop("tags")
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell.source = re.sub(r'(?m)^study = ".*"$', f'study = "{study}"', cell.source)
            cell.id = hashlib.sha256(f"{number} injected".encode()).hexdigest()[:8]
        if "outputs" in cell:
            cell.outputs = [o for o in cell.outputs if o.get("name") != "stderr"]
    return notebook


def error_of(notebook: Notebook) -> tuple[str, str] | None:
    """Give name and text of the first error in an executed notebook, or None."""
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            if output.output_type == "error":
                return output.ename, output.evalue
    return None
