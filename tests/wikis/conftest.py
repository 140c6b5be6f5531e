"""The engines start once a session; without them their tests are skipped, or fail where that is demanded."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.wikis.dokuwiki_server import CODE as DOKUWIKI
from tests.wikis.dokuwiki_server import DokuWikiServer, dokuwiki
from tests.wikis.mediawiki_server import CODE as MEDIAWIKI
from tests.wikis.mediawiki_server import MediaWikiServer, mediawiki

DEMAND = "TESTPRINT_NEEDS_WIKIS"


def need(what: str, there: bool) -> None:
    if there:
        return
    text = f"{what} is not installed (Debian: see .ci/run); set {DEMAND}=1 to make this a failure"
    if os.environ.get(DEMAND):
        pytest.fail(text)
    pytest.skip(text)


@pytest.fixture(scope="session")
def mediawiki_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MediaWikiServer]:
    need("php-cli with mediawiki", shutil.which("php") is not None and MEDIAWIKI.is_dir())
    with mediawiki(tmp_path_factory.mktemp("mediawiki")) as server:
        yield server


@pytest.fixture(scope="session")
def dokuwiki_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DokuWikiServer]:
    need("php-cli with dokuwiki", shutil.which("php") is not None and DOKUWIKI.is_dir())
    with dokuwiki(tmp_path_factory.mktemp("dokuwiki")) as server:
        yield server


@pytest.fixture(scope="session")
def gfm() -> Path:
    """The reference implementation of GitHub-flavoured Markdown."""
    found = shutil.which("cmark-gfm")
    need("cmark-gfm", found is not None)
    return Path(str(found))


@pytest.fixture
def chromium() -> Path:
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    need("chromium", found is not None)
    return Path(str(found))
