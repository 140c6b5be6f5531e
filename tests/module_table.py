"""The table of modules in DEVELOPERS.md, made from the modules' own first lines; as a script it writes it anew."""

from __future__ import annotations

import ast
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "DEVELOPERS.md"
START, END = "<!-- modules: start -->", "<!-- modules: end -->"


def table() -> str:
    """Give the table as Markdown, one row a module."""
    rows = ["| module | says |", "|---|---|"]
    for path in sorted((ROOT / "kit").rglob("*.py")):
        name = path.relative_to(ROOT).as_posix()
        if path.name == "__init__.py" or name.startswith("kit/resources/"):
            continue
        first = (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").splitlines()[
            0
        ]
        rows.append(f"| `{name}` | {first.replace('``', '`').replace('|', '/')} |")
    return "\n".join(rows)


def page_with(table_text: str) -> str:
    """Give DEVELOPERS.md with its table replaced."""
    text = PAGE.read_text(encoding="utf-8")
    head, tail = text.split(START)[0], text.split(END)[1]
    return f"{head}{START}\n{table_text}\n{END}{tail}"


if __name__ == "__main__":
    PAGE.write_text(page_with(table()), encoding="utf-8", newline="\n")
