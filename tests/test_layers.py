"""Imports point one way: a room imports only from rooms above it; heavy libraries stay where they belong."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

KIT = Path(__file__).parents[1] / "kit"

LAYERS = [
    {"errors", "words", "saying", "terms"},
    {"study"},
    {"printer"},
    {"design"},
    {"bench"},
    {"model"},
    {"window"},
    {"analysis", "pool", "pool_frame", "pool_settings"},
    {"charts"},
    {"report"},
    {"rehearse", "rehearse_bench", "rehearse_many", "rehearse_page"},
    {"cli_publish", "cli_many"},
    {"cli_decide"},
    {"cli_plan"},
    {"cli"},
]
RANK = {room: i for i, rooms in enumerate(LAYERS) for room in rooms}

MODULES = sorted(
    p
    for p in KIT.rglob("*.py")
    if p != KIT / "__init__.py" and "resources" not in p.relative_to(KIT).parts[:1]
)


def room_of(path: Path) -> str:
    return path.relative_to(KIT).parts[0].removesuffix(".py")


def imported(path: Path) -> list[str]:
    names: list[str] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            names.append(node.module)
        elif isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
    return names


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(KIT).as_posix())
def test_imports_point_upwards(path: Path) -> None:
    mine = RANK[room_of(path)]
    for name in imported(path):
        if name.split(".")[0] == "kit" and name != "kit":
            other = name.split(".")[1]
            assert RANK[other] <= mine, f"{path.name} imports {name}, which lies below it"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(KIT).as_posix())
def test_drawing_libraries_stay_in_charts(path: Path) -> None:
    drawing = {"matplotlib", "seaborn"}
    if room_of(path) != "charts":
        assert not drawing & {name.split(".")[0] for name in imported(path)}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(KIT).as_posix())
def test_files_are_opened_in_study_and_report_only(path: Path) -> None:
    if room_of(path) in {"study", "report", "cli", "cli_decide", "cli_publish"}:
        return
    text = path.read_text(encoding="utf-8")
    for word in (
        "open(",
        ".read_text(",
        ".write_text(",
        ".read_bytes(",
        ".write_bytes(",
        "read_csv(",
        "to_csv(",
    ):
        assert word not in text, f"{path.name} uses {word}"


def test_no_module_reads_the_clock_or_a_global_seed() -> None:
    for path in MODULES:
        text = path.read_text(encoding="utf-8")
        for word in (
            "datetime.now",
            "time.time(",
            "np.random.seed",
            "np.random.normal",
            "eval(",
            "exec(",
        ):
            assert word not in text.replace("literal_eval(", ""), f"{path.name} uses {word}"


def test_import_kit_loads_no_heavy_library() -> None:
    code = (
        "import sys, kit; heavy = {'numpy', 'scipy', 'pandas', 'matplotlib', 'seaborn', 'statsmodels', 'pydantic', 'papermill'}; "
        "print(sorted(heavy & set(sys.modules)))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"
