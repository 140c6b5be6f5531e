"""Publishing to a real DokuWiki: the whole way, and every way in which it can go wrong."""

from __future__ import annotations

import logging
from html import unescape
from pathlib import Path

import pytest

from kit.errors import ConflictError, PublishError
from kit.report.publish.credentials import Credentials
from kit.report.publish.dokuwiki import DokuWiki
from kit.report.wiki.page import Attachment
from tests.wikis.dokuwiki_server import SECRET, USER, DokuWikiServer
from tests.wikis.publishing import to_dokuwiki
from tests.wikis.small_report import png, write_small_report


@pytest.fixture
def server(dokuwiki_server: DokuWikiServer):
    dokuwiki_server.settings("")
    yield dokuwiki_server
    dokuwiki_server.settings("")


@pytest.fixture
def client(server: DokuWikiServer) -> DokuWiki:
    return DokuWiki(server.url, Credentials(USER, SECRET), namespace="prints")


def test_whole_way(server: DokuWikiServer, tmp_path: Path) -> None:
    study = write_small_report(tmp_path / "study", title="Whole way")
    publish = to_dokuwiki(server, tmp_path / "settings")
    plan = publish(study, send=False)
    assert (plan.outcome, plan.page) == ("create", "prints:whole-way")
    assert server.call("wiki.getPage", "prints:whole-way") == "", "a dry run writes nothing"
    assert publish(study).sent
    assert publish(study).outcome == "unchanged"
    html = unescape(server.call("wiki.getPageHTML", "prints:whole-way"))
    assert "P>|t|" in html
    assert "[[odd]]" in html
    assert "{{cell}}" in html
    assert "not here: this wiki takes no .ipynb files" in html
    write_small_report(study, title="Whole way", grey=120, said="Now something else.")
    plan = publish(study, send=False)
    assert plan.outcome == "update"
    assert "+Now something else" in plan.diff
    assert publish(study).sent
    assert len(server.call("wiki.getPageVersions", "prints:whole-way", 0)) == 2


def test_somebody_elses_words_stay(server: DokuWikiServer, tmp_path: Path) -> None:
    study = write_small_report(tmp_path / "study", title="By hand")
    publish = to_dokuwiki(server, tmp_path / "settings")
    publish(study)
    text = server.call("wiki.getPage", "prints:by-hand")
    server.call("wiki.putPage", "prints:by-hand", text + "\n\nMine came out matt.", {})
    write_small_report(study, title="By hand", said="Other words.")
    assert "+Mine came out matt." in publish(study, send=False).diff
    with pytest.raises(ConflictError, match="human"):
        publish(study)
    assert "matt" in server.call("wiki.getPage", "prints:by-hand")
    assert publish(study, force=True).sent


def test_page_for_remarks_is_created_once(server: DokuWikiServer, tmp_path: Path) -> None:
    study = write_small_report(tmp_path / "study", title="Remarked")
    publish = to_dokuwiki(server, tmp_path / "settings")
    publish(study)
    assert server.call("wiki.getPage", "prints:remarked-remarks") != ""
    server.call("wiki.putPage", "prints:remarked-remarks", "Works on mine.", {})
    write_small_report(study, title="Remarked", said="Changed.")
    assert publish(study).sent
    assert server.call("wiki.getPage", "prints:remarked-remarks") == "Works on mine."


def test_page_being_edited_is_not_touched(server: DokuWikiServer, client: DokuWiki) -> None:
    server.call("wiki.putPage", "prints:busy", "old", {})
    read = client.read("prints:busy")
    locked = server.call("dokuwiki.setLocks", {"lock": ["prints:busy"], "unlock": []})
    assert locked["locked"] == ["prints:busy"]
    with pytest.raises(ConflictError, match="editing"):
        client.write("prints:busy", "new", read, "")
    server.call("dokuwiki.setLocks", {"lock": [], "unlock": ["prints:busy"]})
    client.write("prints:busy", "new", read, "")
    assert client.read("prints:busy").text == "new"


def test_edit_in_between_is_a_conflict(server: DokuWikiServer, client: DokuWiki) -> None:
    client.write("prints:race", "one", None, "")
    read = client.read("prints:race")
    server.call("wiki.putPage", "prints:race", "two", {})
    with pytest.raises(ConflictError, match="changed the page"):
        client.write("prints:race", "three", read, "")
    with pytest.raises(ConflictError, match="changed the page"):
        client.write("prints:race", "three", None, "")
    assert client.read("prints:race").text == "two"


def test_files(client: DokuWiki) -> None:
    first, other = Attachment("a", "a", "png", png(7)), Attachment("a", "a", "png", png(8))
    assert client.states({"file-test.png": first}) == {"file-test.png": "new"}
    client.upload("file-test.png", first)
    assert client.states({"file-test.png": first}) == {"file-test.png": "same"}
    assert client.states({"file-test.png": other}) == {"file-test.png": "changed"}
    client.upload("file-test.png", other)
    assert client.states({"file-test.png": other}) == {"file-test.png": "same"}


def test_refused_type_is_named(client: DokuWiki) -> None:
    with pytest.raises(PublishError, match=r"no \.ipynb files"):
        client.upload("book.ipynb", Attachment("b", "b", "ipynb", b"{}"))


def test_failed_upload_leaves_the_page_alone(server: DokuWikiServer, tmp_path: Path) -> None:
    study = write_small_report(tmp_path / "study", title="Half way")
    publish = to_dokuwiki(server, tmp_path / "settings")
    publish.targets.write_text(publish.targets.read_text().replace("'csv'", "'csv', 'toml'"))
    with pytest.raises(
        PublishError, match="The page was not changed; running the command again is safe"
    ):
        publish(study)
    assert server.call("wiki.getPage", "prints:half-way") == ""


@pytest.mark.parametrize(
    ("namespace", "match"), [("locked", "may not create"), ("nofiles", "may not upload")]
)
def test_missing_right_is_named(
    server: DokuWikiServer, tmp_path: Path, namespace: str, match: str
) -> None:
    study = write_small_report(tmp_path / "study", title="No right")
    with pytest.raises(PublishError, match=match):
        to_dokuwiki(server, tmp_path / "settings", namespace=namespace)(study)


def test_wrong_password_is_never_shown(
    server: DokuWikiServer,
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
    capsys: pytest.CaptureFixture[str],
) -> None:
    caplog.set_level(logging.DEBUG)
    wrong = "wrong-secret-that-must-not-leak&<1>"
    with pytest.raises(PublishError, match="refused the login") as caught:
        to_dokuwiki(server, tmp_path / "settings", secret=wrong)(
            write_small_report(tmp_path / "study")
        )
    said = f"{caught.value!r} {caught.value} {caught.value.__context__!r} {caplog.text} {capsys.readouterr()}"
    assert "wrong-secret" not in said


def test_account_without_the_interface(server: DokuWikiServer) -> None:
    with pytest.raises(PublishError, match=r"lacks the right|refused"):
        DokuWiki(server.url, Credentials("reader", SECRET)).check("x")


def test_interface_switched_off(server: DokuWikiServer, client: DokuWiki) -> None:
    server.settings("$conf['remote'] = 0;")
    with pytest.raises(PublishError, match="remote = on"):
        client.check("x")


def test_wrong_address(server: DokuWikiServer) -> None:
    with pytest.raises(PublishError, match=r"Is this the address|instead of data"):
        DokuWiki(f"{server.url}/elsewhere", Credentials(USER, SECRET)).check("x")
