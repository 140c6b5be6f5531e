from __future__ import annotations

from pathlib import Path

import pytest

from kit.study import resources
from kit.study.resources import MissingResourceError, resource_folder


@pytest.mark.parametrize("name", ["templates", "data"])
def test_folders_are_found(name: resources.ResourceName) -> None:
    folder = resource_folder(name)
    assert folder.is_dir()
    assert folder.name == name


def test_wheel_comes_before_checkout(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = tmp_path / "site" / "kit"
    (package / "resources" / "data").mkdir(parents=True)
    (tmp_path / "site" / "data").mkdir()
    monkeypatch.setattr(resources, "files", lambda _: package)
    assert resource_folder("data") == package / "resources" / "data"
    # A stranger's folder beside the package is not the kit's.
    with pytest.raises(MissingResourceError, match="Install testprint-kit again"):
        resource_folder("templates")
    (tmp_path / "site" / "templates").mkdir()
    with pytest.raises(FileNotFoundError):
        resource_folder("templates")
