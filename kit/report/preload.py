"""What notebooks will need, loaded ahead of them, without what nobody here uses.

Importing is half the time of a short notebook. Some of it is for nothing: libraries look at import whether
others are there and load them whole. While the kit loads, those are hidden; afterwards they can be imported as ever.
"""

from __future__ import annotations

import gc
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from types import ModuleType

UNUSED = (
    "rfc3987_syntax",  # compiles a grammar for internationalised addresses, which no notebook schema uses
    "formulaic",  # a second engine for model formulas; the kit hands over matrices
    "ipywidgets",  # seaborn's own colour choosers
)
"""Optional imports of third parties; each of them says so by catching the ImportError."""

NOTEBOOK = (
    "kit.report.html",
    "matplotlib.backends.backend_agg",
    "matplotlib_inline.backend_inline",
    "ipykernel.kernelapp",
    "ipykernel.ipkernel",
)

_NAME = re.compile(r"\bkit\.(\w+)")

CLIENT = (
    "papermill",
    "nbformat.v4",
    "nbclient",
    "jupyter_client.asynchronous",
    "kit.report.forked",
)


@contextmanager
def without_unused() -> Iterator[None]:
    """Hide optional imports that cost more than they give, for as long as the block runs."""
    collecting = gc.isenabled()
    gc.disable()  # nothing that is imported is ever garbage
    hidden: dict[str, ModuleType | None] = {n: None for n in UNUSED if n not in sys.modules}
    if "xarray" not in sys.modules:
        hidden["xarray"] = _labelled_arrays()
    sys.modules.update(hidden)  # type: ignore[arg-type]
    try:
        yield
    finally:
        for name in hidden:
            sys.modules.pop(name, None)
        if collecting:
            gc.enable()


def _labelled_arrays() -> ModuleType:
    """Stand in for xarray: pingouin brings it along, only to offer its functions on labelled arrays too."""
    stand_in = ModuleType("xarray")
    stand_in.register_dataarray_accessor = stand_in.register_dataset_accessor = (  # type: ignore[attr-defined]
        lambda name: lambda accessor: accessor
    )
    return stand_in


def preload_notebook(template: Path) -> None:
    """Load what a template uses: the kernel, and the homes of the kit's names that stand in its cells."""
    import kit

    with without_unused():
        for name in NOTEBOOK:
            import_module(name)
        for name in sorted(set(_NAME.findall(template.read_text(encoding="utf-8")))):
            if name in kit.__all__:
                getattr(kit, name)


def preload_client() -> None:
    """Load what runs a notebook and writes a report."""
    with without_unused():
        for name in CLIENT:
            import_module(name)
