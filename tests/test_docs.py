"""README and DEVELOPERS.md say what is there."""

from __future__ import annotations

import re
import tomllib

from kit.cli import NEW_OPTIONS, _parser
from kit.study.new import QUESTIONS
from tests.module_table import PAGE, ROOT, page_with, table

README = (ROOT / "README.md").read_text(encoding="utf-8")


def commands() -> set[str]:
    (actions,) = [
        a for a in _parser()._actions if a.dest == "COMMAND" or (a.choices and "demo" in a.choices)
    ]
    return set(actions.choices or ())


def test_module_table_is_true() -> None:
    assert PAGE.read_text(encoding="utf-8") == page_with(table()), (
        "run python -m tests.module_table"
    )


def test_readme_lists_every_command() -> None:
    listed = set(re.findall(r"^\| `testprint (\w+)", README, flags=re.MULTILINE))
    assert listed == commands()


def test_readme_commands_are_one_line_in_a_code_block() -> None:
    blocks = re.findall(r"```sh\n(.*?)```", README, flags=re.DOTALL)
    lines = [b.strip() for b in blocks]
    assert sum("\n" not in b and b.endswith("testprint demo") for b in lines) == 1
    assert sum("\n" not in b and b.endswith("pytest") for b in lines) == 1


def test_questions_of_new_are_options_of_the_command() -> None:
    assert list(NEW_OPTIONS) == [q.key for q in QUESTIONS]


def test_metadata_is_as_promised() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["name"] == "testprint-kit"
    assert project["license"] == "MIT"
    assert set(project["scripts"]) == {"testprint"}


def test_top_level_holds_nothing_else() -> None:
    agreed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "LICENSE",
        "kit",
        "templates",
        "data",
        "tests",
        "reports",
        "testprint-demo",
        "build",
        "dist",
    }
    found = {
        p.name
        for p in ROOT.iterdir()
        if not p.name.startswith(".") and not p.name.endswith(".egg-info")
    }
    assert found <= agreed
