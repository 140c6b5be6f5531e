"""A study's page: the agreed order, the same on every wiki; nothing of the report gets lost."""

from __future__ import annotations

import zipfile
from io import BytesIO
from pathlib import Path

import pytest

from kit.errors import PublishError
from kit.report.document import Document, FigureBlock, Heading, Prose, Sentences, Table
from kit.report.finished import read_report
from kit.report.standing import standing_of
from kit.report.wiki.bundle import bundle_bytes
from kit.report.wiki.dokuwiki import DokuWikiWriter
from kit.report.wiki.markdown import MarkdownWriter
from kit.report.wiki.mediawiki import MediaWikiWriter
from kit.report.wiki.page import WikiPage
from kit.report.wiki.sections import sort_blocks
from kit.report.wiki.study_page import study_page
from tests.wikis.small_report import write_small_report

ORDER = [
    "Good for", "Not good for", "Requirements", "Results", "Figures", "What failed", "How to adopt these settings", "Cautions",
    "Downloads", "History",
]  # fmt: skip


def headings(page: WikiPage) -> list[str]:
    return [b.text for b in page.blocks if isinstance(b, Heading) and b.level == 2]


def test_page_order(tmp_path: Path) -> None:
    page = study_page(
        read_report(write_small_report(tmp_path / "s")), history=[("2026-03-04", "abc", "first")]
    )
    assert [h for h in headings(page) if h != "Method"] == ORDER
    banner, facts, answer = page.blocks[:3]
    assert banner.title == "Status: not yet confirmed"  # type: ignore[attr-defined]
    assert dict(facts.rows) == {  # type: ignore[attr-defined]
        "Printer": "bench printer", "Nozzle": "0.4 mm, layer 0.2 mm", "Spool": "grey spool", "Polymer": "PLA",
        "Colour": "grey", "Printed": "2026-03-02",
    }  # fmt: skip
    assert answer.sentence == "nozzle 215 °C"  # type: ignore[attr-defined]
    assert "PLA settings" in page.categories


def test_nothing_gets_lost(tmp_path: Path) -> None:
    report = read_report(write_small_report(tmp_path / "s"))
    text = "\n".join(b.plain() for b in study_page(report).blocks)
    for block in report.document.blocks:
        if isinstance(block, Heading):
            continue
        for line in block.plain().splitlines():
            if line not in ("Set 215.", "Not yet confirmed."):
                assert line in text, line


def test_pictures_take_their_words_along() -> None:
    blocks = (
        Heading("Section", 2),
        Prose("Each dot."),
        Table(("a",), (("1",),)),
        Heading("Inner", 3),
        FigureBlock("f", "", "alt", "caption"),
        Heading("Empty", 3),
    )
    found = sort_blocks(Document("t", blocks))
    assert [type(b).__name__ for b in found.figures] == [
        "Heading",
        "Prose",
        "Heading",
        "FigureBlock",
    ]
    assert [type(b).__name__ for b in found.results] == ["Heading", "Table"]


@pytest.mark.parametrize(
    ("options", "word"),
    [
        ({"withdrawn": "the scale was off"}, "withdrawn"),
        ({"planned": 3}, "interim"),
        ({"confirmation": {"verdict": "meets"}}, "confirmed"),
        ({"confirmation": {"verdict": "does not meet"}}, "confirmation failed"),
        ({"confirmation": {"verdict": "undecided"}}, "confirmation undecided"),
        ({"confirmation": {"verdict": "meets", "at_recommended": False}}, "not yet confirmed"),
        ({"recommended": None, "best_compromise": {"settings": {}}}, "no settings found"),
        ({"recommended": None}, "no settings recommended"),
        ({}, "not yet confirmed"),
    ],
)
def test_standing(options: dict, word: str) -> None:
    results = {"recommended": {"settings": {}}, "confirmation": None} | {
        k: v for k, v in options.items() if k in ("recommended", "confirmation", "best_compromise")
    }
    rest = {k: v for k, v in options.items() if k not in results}
    assert standing_of(results, **rest).word == word


def test_failed_confirmation_stands_first(tmp_path: Path) -> None:
    report = read_report(
        write_small_report(tmp_path / "s", confirmation={"verdict": "does not meet"})
    )
    text = MediaWikiWriter(study_page(report)).write()
    assert text.index("Do not use them") < text.index("215")


def test_compromise_is_said_to_be_one(tmp_path: Path) -> None:
    report = read_report(write_small_report(tmp_path / "s", recommended=False))
    text = MarkdownWriter(study_page(report)).write()
    assert "Best compromise, not a recommendation" in text
    assert "What stands in the way most" in text


def test_report_must_belong_to_the_files(tmp_path: Path) -> None:
    study = write_small_report(tmp_path / "s")
    (study / "readings.csv").write_text((study / "readings.csv").read_text().replace("52", "53"))
    with pytest.raises(PublishError, match="changed after the report"):
        read_report(study)
    (study / "report" / "surface.ipynb").unlink()
    with pytest.raises(PublishError, match="no report yet"):
        read_report(study)


@pytest.mark.parametrize("engine", ["mediawiki", "dokuwiki", "markdown"])
def test_bundle_is_whole_and_always_the_same(tmp_path: Path, engine: str) -> None:
    page = study_page(read_report(write_small_report(tmp_path / "s")))
    data = bundle_bytes(page, engine)
    assert data == bundle_bytes(page, engine)
    with zipfile.ZipFile(BytesIO(data)) as archive:
        names = archive.namelist()
        (text_name,) = [n for n in names if n.startswith("page.")]
        text = archive.read(text_name).decode()
    files = [n.removeprefix("files/") for n in names if n.startswith("files/")]
    assert "HOW-TO.txt" in names
    assert len(files) >= 6
    assert all(f in text for f in files)


WRITERS = [MediaWikiWriter, DokuWikiWriter, MarkdownWriter]


@pytest.mark.parametrize("writer", WRITERS)
def test_markdown_of_the_templates(writer: type) -> None:
    source = (
        "Some *soft* and **hard** words, `code|x`, a [link](https://a.example/b) and $b_i$.\n\n- one\n  - inner\n- two\n\n"
        "1. first\n2. second\n\n| a | b |\n|---|--:|\n| 1 | `x|y` |\n\n```python\nx = [1]\n```\n\n> quoted\n\n<b>raw</b>\n\n---\n"
    )
    text = writer(WikiPage("t", (Prose(source),))).write()
    marks = {
        "mediawiki": (
            "<i>soft</i>",
            "<b>hard</b>",
            "[https://a.example/b link]",
            "** inner",
            "# first",
            "<blockquote>",
        ),
        "dokuwiki": (
            "//soft//",
            "**hard**",
            "[[https://a.example/b|link]]",
            "    * inner",
            "  - first",
            "> quoted",
        ),
        "markdown": (
            "*soft*",
            "**hard**",
            "[link](<https://a.example/b>)",
            "  - inner",
            "1. first",
            "> quoted",
        ),
    }[writer.engine]
    for mark in marks:
        assert mark in text
    assert "<b>raw</b>" not in text


@pytest.mark.parametrize("writer", WRITERS)
def test_unsafe_links_stay_text(writer: type) -> None:
    text = writer(WikiPage("t", (Prose("[go](javascript:alert(1)) and [here](../x)"),))).write()
    assert "javascript" not in text
    assert "go" in text


def test_formula_where_the_wiki_sets_none(tmp_path: Path) -> None:
    page = study_page(read_report(write_small_report(tmp_path / "s")))
    block = Prose("Given\n\n$$\n\\hat{y} = b_0\n$$\n")
    drawn = WikiPage("t", (block,), attachments=page.attachments)
    assert (
        MediaWikiWriter(drawn, tags=["math"])
        .write()
        .endswith('<math display="block">\\hat{y} = b_0</math>')
    )
    assert "<code>" in MediaWikiWriter(drawn).write(), "no picture was drawn of it"


def test_sentences_fold_only_where_that_works() -> None:
    block = Sentences(("calm one", "calm two"), title="Checked", folded=True)
    assert "mw-collapsed" in MediaWikiWriter(WikiPage("t", (block,))).write()
    assert "calm two" in DokuWikiWriter(WikiPage("t", (block,))).write()
