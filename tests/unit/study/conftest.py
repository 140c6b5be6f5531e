"""The small study folders, and a way to change one file of a copy."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

STUDIES = Path(__file__).parents[2] / "studies"

Change = Callable[..., Path]


@pytest.fixture
def studies() -> Path:
    return STUDIES


@pytest.fixture
def healthy(tmp_path: Path) -> Path:
    """A copy of the healthy study."""
    return Path(shutil.copytree(STUDIES / "healthy", tmp_path / "healthy"))


@pytest.fixture
def change(healthy: Path) -> Change:
    """Replace words in one file of the healthy study; each must be there."""

    def changed(file: str, *pairs: tuple[str, str]) -> Path:
        text = (healthy / file).read_text(encoding="utf-8")
        for old, new in pairs:
            assert old in text
            text = text.replace(old, new, 1)
        (healthy / file).write_text(text, encoding="utf-8", newline="")
        return healthy

    return changed
