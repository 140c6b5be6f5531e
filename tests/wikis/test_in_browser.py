"""The demo study's page as a browser shows it on both wikis, at the width of a desktop and of a phone."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from kit.report.demo import copy_demo
from kit.report.render import render_report
from kit.report.space import write_index
from tests.wikis.browser import Browser, browser
from tests.wikis.conftest import need
from tests.wikis.dokuwiki_server import DokuWikiServer
from tests.wikis.mediawiki_server import MediaWikiServer
from tests.wikis.publishing import to_dokuwiki, to_mediawiki
from tests.wikis.small_report import write_small_report

PICTURES = "TESTPRINT_PICTURES"
"""Name a folder here to look at what the browser showed."""


@pytest.fixture(scope="module")
def window() -> Iterator[Browser]:
    import shutil

    found = shutil.which("chromium") or shutil.which("chromium-browser")
    need("chromium", found is not None)
    with browser(Path(str(found))) as opened:
        yield opened


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = copy_demo("satin-or-gloss", tmp_path_factory.mktemp("demo") / "study")
    render_report(folder)
    return folder


@pytest.fixture(scope="module")
def mediawiki_page(
    mediawiki_server: MediaWikiServer, demo: Path, tmp_path_factory: pytest.TempPathFactory
) -> str:
    plan = to_mediawiki(mediawiki_server, tmp_path_factory.mktemp("settings"))(demo)
    assert plan.sent
    return f"{mediawiki_server.url}/index.php?title={plan.page.replace(' ', '_')}"


@pytest.fixture(scope="module")
def dokuwiki_page(
    dokuwiki_server: DokuWikiServer, demo: Path, tmp_path_factory: pytest.TempPathFactory
) -> str:
    settings = tmp_path_factory.mktemp("settings")
    plan = to_dokuwiki(dokuwiki_server, settings)(demo)
    assert plan.sent
    return f"{dokuwiki_server.url}/doku.php?id={plan.page}"


def look(window: Browser, url: str, width: int, selector: str, name: str) -> dict:
    window.open(url, width=width)
    if os.environ.get(PICTURES):
        (Path(os.environ[PICTURES]) / f"{name}-{width}.png").write_bytes(window.picture())
    return window.look(selector)


@pytest.mark.parametrize("width", [1000, 390])
def test_mediawiki(window: Browser, mediawiki_page: str, width: int) -> None:
    seen = look(window, mediawiki_page, width, "#mw-content-text", "mediawiki")
    assert seen["problems"] == []
    assert seen["pictures"] >= 14
    assert len(seen["tables"]) >= 9


@pytest.mark.parametrize("width", [1000, 390])
def test_dokuwiki(window: Browser, dokuwiki_page: str, width: int) -> None:
    seen = look(window, dokuwiki_page, width, ".page", "dokuwiki")
    assert seen["problems"] == []
    if width < 600:
        assert seen["width"] <= seen["shown"], "the page itself scrolls sideways"
    assert seen["pictures"] >= 14


@pytest.mark.parametrize("width", [1000, 390])
def test_index_of_a_space(window: Browser, tmp_path: Path, width: int) -> None:
    write_small_report(tmp_path / "a", title="Zebra stripes, white and grey")
    write_small_report(tmp_path / "b", title="Apple", head='withdrawn = "the scale was off"')
    write_small_report(tmp_path / "c", title="Melon", recommended=False)
    page = write_index(tmp_path)
    seen = look(window, page.as_uri(), width, "main", "index")
    assert seen["problems"] == []
    assert seen["width"] <= seen["shown"]
    names = "[...document.querySelectorAll('tbody th')].map(t => t.textContent[0]).join('')"
    assert window.run(names) == "ZAM"
    window.run("document.querySelector('th button').click()")
    assert window.run(names) == "AMZ"
    window.run("document.querySelector('th button').click()")
    assert window.run(names) == "ZMA"
