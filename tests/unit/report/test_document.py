"""Blocks survive the way through a notebook, and pages escape everything."""

from __future__ import annotations

import base64
import json

import nbformat
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.report.document import (
    BLOCK_MIME,
    Answer,
    Block,
    CautionList,
    Document,
    FigureBlock,
    Group,
    Heading,
    Prose,
    Results,
    Sentences,
    Table,
    block_from_json,
    flatten,
)
from kit.report.html import block_html, page_html
from kit.report.notebook import clean, document_of, error_of, markdown_blocks, results_of

PNG = base64.b64encode(b"\x89PNG\r\n\x1a\n").decode()
BLOCKS: list[Block] = [
    Heading("How sure?", 2),
    Prose("Some *words*."),
    Sentences(("one", "two"), tone="notice", title="Look"),
    Answer("Set 215.", "Not yet confirmed.", (("nozzle", "215 °C"),), reached=False),
    Table(("a", "b"), (("1", "2"), ("3", "4")), "caption", numeric=(1,)),
    FigureBlock("map", PNG, "alt words", "caption"),
    CautionList(("hot",), "scope"),
]


@pytest.mark.parametrize("block", [*BLOCKS, Group(tuple(BLOCKS))], ids=lambda b: b.kind)
def test_block_survives_json(block: Block) -> None:
    assert block_from_json(json.loads(json.dumps(block.to_json()))) == block


@pytest.mark.parametrize("block", BLOCKS, ids=lambda b: b.kind)
def test_block_shows_itself_in_a_notebook(block: Block) -> None:
    data, _ = block._repr_mimebundle_()
    assert set(data) == {"text/html", "text/plain", BLOCK_MIME}
    assert data["text/html"] == block_html(block)


def test_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="unknown block kind"):
        block_from_json({"kind": "applet"})


def test_groups_open_up() -> None:
    assert flatten([Group((Group(tuple(BLOCKS[:2])), BLOCKS[2]))]) == BLOCKS[:3]


@given(st.text(min_size=1))
def test_no_text_can_become_markup(text: str) -> None:
    evil = text + "<script>alert(1)</script>\"'&"
    blocks = (
        Heading(evil),
        Sentences((evil, evil), title=evil),
        Answer(evil, evil, ((evil, evil),)),
        Table((evil,), ((evil,),), evil),
        FigureBlock("x", PNG, evil, evil),
        CautionList((evil,), evil),
        Prose(evil),
    )
    page = page_html(Document(evil, blocks), footer=evil)
    assert "<script" not in page


def test_page_asks_for_nothing_from_elsewhere() -> None:
    page = page_html(Document("t", tuple(BLOCKS)))
    for word in ("http://", "https://", 'src="//', "@import", "url("):
        assert word not in page
    assert 'alt="alt words"' in page


def test_contents_come_after_the_answer() -> None:
    page = page_html(Document("t", (BLOCKS[3], BLOCKS[0])))
    assert page.index("Set 215.") < page.index("<nav") < page.index("<h2")


def executed() -> nbformat.NotebookNode:
    hidden = nbformat.v4.new_markdown_cell("# For the notebook only")
    hidden.metadata["tags"] = ["notebook-only"]
    injected = nbformat.v4.new_code_cell('# Parameters\nstudy = "."\n')
    injected.metadata["tags"] = ["injected-parameters"]
    shown = nbformat.v4.new_code_cell("kit.show_answer(analysis)")
    data, _ = Group((Heading("Title", 1), BLOCKS[3]))._repr_mimebundle_()
    noise = nbformat.v4.new_output(
        "stream", name="stderr", text="/somewhere/ipykernel_1/2.py: warning"
    )
    shown.outputs = [noise, nbformat.v4.new_output("display_data", data=data)]
    shown.metadata["papermill"] = {"duration": 1.5}
    last = nbformat.v4.new_code_cell("kit.results(analysis)")
    numbers, _ = Results({"schema": 1})._repr_mimebundle_()
    last.outputs = [nbformat.v4.new_output("execute_result", data=numbers, execution_count=1)]
    notebook = nbformat.v4.new_notebook(
        cells=[hidden, injected, nbformat.v4.new_markdown_cell("## How?\n\nSo."), shown, last]
    )
    notebook.metadata["papermill"] = {"input_path": "/somewhere/x.ipynb"}
    return notebook


def test_document_is_built_from_the_notebook() -> None:
    document = document_of(executed())
    assert document.title == "Title"
    assert document.blocks == (Heading("How?", 2), Prose("So."), BLOCKS[3])
    assert results_of(executed()) == {"schema": 1}


def test_clean_notebook_tells_nothing_of_the_machine() -> None:
    first, second = clean(executed(), ".."), clean(executed(), "..")
    text = nbformat.writes(first)
    assert "/somewhere" not in text
    assert "papermill" not in text
    assert 'study = ".."' in first.cells[1].source
    assert first.cells[1].id == second.cells[1].id


def test_error_of_finds_the_failed_cell() -> None:
    notebook = executed()
    assert error_of(notebook) is None
    fault = nbformat.v4.new_output("error", ename="ModelError", evalue="too few runs", traceback=[])
    notebook.cells[3].outputs.append(fault)
    assert error_of(notebook) == ("ModelError", "too few runs")


def test_markdown_is_split_at_headings() -> None:
    blocks = list(markdown_blocks("Before.\n\n## One\nText\nmore\n### Two\n"))
    assert blocks == [Prose("Before."), Heading("One", 2), Prose("Text\nmore"), Heading("Two", 3)]
    assert list(markdown_blocks(" \n")) == []
