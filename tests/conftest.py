"""Fixtures that all tests share."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from tests.reference.cases import prints_folder


@pytest.fixture
def rng() -> np.random.Generator:
    """A fresh generator a test, so that no test depends on another's draws."""
    return np.random.default_rng(20240817)


@pytest.fixture
def open_prints() -> Path:
    """The folder of open print data; the test is skipped where it is absent."""
    folder = prints_folder(os.environ.get("TESTPRINT_OPEN_PRINTS"), Path(__file__).parents[1])
    if folder is None:
        pytest.skip(
            "the open print data are other people's files and not part of the project; "
            "set TESTPRINT_OPEN_PRINTS to the folder that holds them"
        )
    return folder
