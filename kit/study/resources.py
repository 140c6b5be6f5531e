"""Where the templates and the demo data lie: beside the package in a checkout, inside it in a wheel."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Literal

from kit.errors import KitError

ResourceName = Literal["templates", "data"]


class MissingResourceError(KitError, FileNotFoundError):
    """A folder that belongs to the kit is not there; the text says how to repair the install."""


def resource_folder(name: ResourceName) -> Path:
    """Find a folder that comes with the kit.

    Parameters
    ----------
    name : {"templates", "data"}
        The notebooks, or the invented demo studies.

    Returns
    -------
    Path
        An existing folder; read from it, never write into it.

    Raises
    ------
    MissingResourceError
        If the install is incomplete.
    """
    package = Path(str(files("kit")))
    installed, checkout = package / "resources" / name, package.parent / name
    if installed.is_dir():
        return installed
    # The project file tells a checkout from a folder that happens to be called "data".
    if (package.parent / "pyproject.toml").is_file() and checkout.is_dir():
        return checkout
    raise MissingResourceError(
        f"The kit's folder {name!r} is missing from this install. Install testprint-kit again."
    )
