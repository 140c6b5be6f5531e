"""The public names exist, and the lists of them agree."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import kit

SOURCE = Path(kit.__file__).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", kit.__all__)
def test_public_name_can_be_used(name: str) -> None:
    assert getattr(kit, name) is not None


def test_type_checkers_see_the_same_names() -> None:
    seen = set()
    for node in ast.parse(SOURCE).body:
        if isinstance(node, ast.If):
            for statement in node.body:
                if isinstance(statement, ast.ImportFrom):
                    seen |= {alias.name for alias in statement.names}
    assert seen == set(kit.__all__)


def test_unknown_name_lists_what_there_is() -> None:
    with pytest.raises(AttributeError, match="find_window"):
        _ = kit.fit_everything
