"""Templates stay thin: no logic in cells, no stored outputs, one parameters cell with a type and a meaning each."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

import pytest

TEMPLATES = sorted((Path(__file__).parents[1] / "templates").glob("*.ipynb"))
FORBIDDEN = (
    ast.FunctionDef,
    ast.ClassDef,
    ast.For,
    ast.While,
    ast.Try,
    ast.If,
    ast.With,
    ast.Lambda,
    ast.ListComp,
    ast.DictComp,
    ast.BinOp,
)


def code_cells(path: Path) -> list[dict]:
    return [
        c for c in json.loads(path.read_text(encoding="utf-8"))["cells"] if c["cell_type"] == "code"
    ]


def source(cell: dict) -> str:
    return "".join(cell["source"])


def test_there_are_templates() -> None:
    assert {p.stem for p in TEMPLATES} >= {"1-plan", "3-surface"}


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda p: p.stem)
def test_cells_hold_no_logic(path: Path) -> None:
    for cell in code_cells(path):
        tree = ast.parse(source(cell))
        assert len(tree.body) <= 6
        assert len(source(cell).splitlines()) <= 10
        for node in ast.walk(tree):
            assert not isinstance(node, FORBIDDEN), ast.dump(node)


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda p: p.stem)
def test_cells_call_public_names_only(path: Path) -> None:
    import kit

    for cell in code_cells(path):
        for node in ast.walk(ast.parse(source(cell))):
            if (
                isinstance(node, ast.Attribute)
                and isinstance(node.value, ast.Name)
                and node.value.id == "kit"
            ):
                assert node.attr in kit.__all__
            if isinstance(node, ast.Import | ast.ImportFrom):
                assert ast.unparse(node) == "import kit"


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda p: p.stem)
def test_no_outputs_are_stored(path: Path) -> None:
    for cell in code_cells(path):
        assert not cell["outputs"]
        assert cell["execution_count"] is None


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda p: p.stem)
def test_one_parameters_cell_says_type_and_meaning(path: Path) -> None:
    tagged = [c for c in code_cells(path) if "parameters" in c["metadata"].get("tags", [])]
    assert len(tagged) == 1
    for line in source(tagged[0]).splitlines():
        assert re.fullmatch(r"\w+: [\w\[\]]+ = .+  # .+", line), line


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda p: p.stem)
def test_first_cell_says_question_time_and_needs(path: Path) -> None:
    first = source(json.loads(path.read_text(encoding="utf-8"))["cells"][0])
    for word in ("# ", "**Question:**", "**You need:**", "**Time:**"):
        assert word in first
