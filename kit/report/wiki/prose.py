"""Markdown of the templates as a tree, by the parser that nbconvert brings; no raw HTML gets through."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Any

Token = dict[str, Any]


@cache
def _parser() -> Any:  # noqa: ANN401 - the parser is untyped
    import mistune

    return mistune.create_markdown(renderer=None, plugins=["table", "math", "strikethrough"])


def parse(markdown: str) -> list[Token]:
    """Give the block tokens of a Markdown text.

    Parameters
    ----------
    markdown : str
        GitHub-flavoured Markdown with ``$...$`` and ``$$...$$`` formulas.

    Returns
    -------
    list of dict
        Tokens as `mistune` gives them without a renderer.
    """
    tokens: list[Token] = _parser()(markdown)
    return tokens


def formulas(markdown: str) -> Iterator[str]:
    """Give the TeX of every formula in a Markdown text, in order."""
    yield from _formulas(parse(markdown))


def _formulas(tokens: list[Token]) -> Iterator[str]:
    for token in tokens:
        if token["type"] in ("inline_math", "block_math"):
            yield token["raw"].strip()
        yield from _formulas(token.get("children", []))


def plain_text(tokens: list[Token]) -> str:
    """Give inline tokens as plain text, for alt texts."""
    return "".join(t.get("raw", "") + plain_text(t.get("children", [])) for t in tokens)
