"""Publishing to a real MediaWiki: the whole way, and every way in which it can go wrong."""

from __future__ import annotations

import logging
from html import unescape
from pathlib import Path

import pytest

from kit.cli import main
from kit.errors import ConflictError, PublishError
from kit.report.publish.credentials import Credentials
from kit.report.publish.mediawiki import MediaWiki
from kit.report.publish.web import UnreachableError
from kit.report.publish.wiki import Remote
from kit.report.wiki.page import Attachment
from tests.wikis.mediawiki_server import ADMIN, BOT, SECRET, MediaWikiServer
from tests.wikis.publishing import DAY, to_mediawiki
from tests.wikis.small_report import png, write_small_report


@pytest.fixture
def server(mediawiki_server: MediaWikiServer):
    mediawiki_server.settings("")
    yield mediawiki_server
    mediawiki_server.settings("")


@pytest.fixture
def client(server: MediaWikiServer) -> MediaWiki:
    wiki = MediaWiki(server.api, Credentials(BOT, SECRET), wait=lambda _: None)
    wiki.log_in()
    return wiki


@pytest.fixture
def human(server: MediaWikiServer) -> MediaWiki:
    wiki = MediaWiki(server.api, Credentials(BOT.replace("Publisher", "Human"), SECRET))
    wiki.log_in()
    return wiki


def revisions(server: MediaWikiServer, page: str) -> int:
    query = server.ask(action="query", titles=page, prop="revisions", rvlimit="50", rvprop="ids")[
        "query"
    ]
    return len(query["pages"][0].get("revisions", []))


def test_whole_way(server: MediaWikiServer, tmp_path: Path) -> None:
    study = write_small_report(tmp_path / "study", title="Whole way")
    publish = to_mediawiki(server, tmp_path / "settings")
    plan = publish(study, send=False)
    assert (plan.outcome, plan.sent) == ("create", False)
    assert revisions(server, "Whole way") == 0, "a dry run writes nothing"
    assert not (study / "published").exists()
    assert publish(study).sent
    assert publish(study).outcome == "unchanged"
    assert publish(study, day=DAY.replace(year=2027)).outcome == "unchanged", (
        "another day is no news"
    )
    assert revisions(server, "Whole way") == 1
    html = server.ask(action="parse", page="Whole way", prop="text")["parse"]["text"]
    html = unescape(html)
    assert "P>|t|" in html
    assert 'alt="Gloss rises with the nozzle [from 31 to 52 GU] | so it seems"' in html
    assert "not here: this wiki takes no .ipynb files" in html
    write_small_report(study, title="Whole way", grey=120, said="Now something else.")
    plan = publish(study, send=False)
    assert plan.outcome == "update"
    assert "+Now something else" in plan.diff
    assert publish(study).sent
    assert revisions(server, "Whole way") == 2
    page = server.ask(action="parse", page="Whole way", prop="text")["parse"]["text"]
    assert page.count("<td>2026-03-04") + page.count("2026-03-04") >= 2, "the history has two lines"


def test_server_that_dies_half_way_leaves_the_page_alone(
    server: MediaWikiServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = write_small_report(tmp_path / "study", title="Half way")
    publish = to_mediawiki(server, tmp_path / "settings")
    upload, sent = MediaWiki.upload, []

    def dying(self: MediaWiki, name: str, file: Attachment) -> None:
        if sent:
            raise UnreachableError("the wiki cannot be reached")
        sent.append(name)
        upload(self, name, file)

    monkeypatch.setattr(MediaWiki, "upload", dying)
    with pytest.raises(
        PublishError, match="page was not changed; running the command again is safe"
    ):
        publish(study)
    assert revisions(server, "Half way") == 0
    monkeypatch.undo()
    plan = publish(study)
    assert plan.files[sent[0]] == "same"
    assert plan.sent


def test_command_sends_and_nothing_holds_the_secret(
    server: MediaWikiServer,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.DEBUG)
    study = write_small_report(tmp_path / "study", title="By command")
    publish = to_mediawiki(server, tmp_path / "settings")
    monkeypatch.setenv("TESTPRINT_WIKIS", str(publish.targets))
    monkeypatch.setenv("TESTPRINT_SPACE_SECRET", SECRET)
    assert main(["publish", str(study), "--to", "space"]) == 0
    assert "--send" in capfd.readouterr().err
    assert main(["publish", str(study), "--to", "space", "--send"]) == 0
    assert "read back" in capfd.readouterr().out
    assert main(["publish", str(study), "--to", "nowhere", "--send"]) == 1
    for path in study.rglob("*"):
        assert path.is_dir() or SECRET.encode() not in path.read_bytes(), path.name
    page = server.ask(
        action="query",
        titles="By command",
        prop="revisions",
        rvprop="content|comment",
        rvslots="main",
    )
    assert SECRET not in f"{page} {caplog.text} {capfd.readouterr()}"


def test_somebody_elses_words_stay(
    server: MediaWikiServer, human: MediaWiki, tmp_path: Path
) -> None:
    study = write_small_report(tmp_path / "study", title="Edited by hand")
    publish = to_mediawiki(server, tmp_path / "settings")
    publish(study)
    now = human.read("Edited by hand")
    human.write("Edited by hand", f"{now.text}\nMine came out matt.", now, "a remark")
    write_small_report(study, title="Edited by hand", said="Other words.")
    plan = publish(study, send=False)
    assert plan.outcome == "conflict"
    assert "+Mine came out matt." in plan.diff
    with pytest.raises(ConflictError, match="Human"):
        publish(study)
    assert "matt" in human.read("Edited by hand").text
    assert publish(study, force=True).sent
    assert "matt" not in human.read("Edited by hand").text


def test_page_for_remarks_is_created_once(
    server: MediaWikiServer, human: MediaWiki, tmp_path: Path
) -> None:
    study = write_small_report(tmp_path / "study", title="Remarked")
    publish = to_mediawiki(server, tmp_path / "settings")
    publish(study)
    now = human.read("Remarked (remarks)")
    assert now is not None
    human.write("Remarked (remarks)", "Works on mine.", now, "")
    write_small_report(study, title="Remarked", said="Changed.")
    assert publish(study).sent
    assert human.read("Remarked (remarks)").text == "Works on mine."


def test_page_of_the_same_name_is_not_ours(
    server: MediaWikiServer, human: MediaWiki, tmp_path: Path
) -> None:
    human.write("Taken", "Somebody's page.", None, "")
    study = write_small_report(tmp_path / "study", title="Taken")
    with pytest.raises(ConflictError, match="has not published it"):
        to_mediawiki(server, tmp_path / "settings")(study)
    assert human.read("Taken").text == "Somebody's page."


def test_another_copy_of_the_study_knows_its_own_page(
    server: MediaWikiServer, tmp_path: Path
) -> None:
    publish = to_mediawiki(server, tmp_path / "settings")
    publish(write_small_report(tmp_path / "one", title="Two copies"))
    other = write_small_report(tmp_path / "two", title="Two copies", said="From the other laptop.")
    assert publish(other).outcome == "update"


def test_deleted_page_is_not_brought_back_unasked(server: MediaWikiServer, tmp_path: Path) -> None:
    study = write_small_report(tmp_path / "study", title="Deleted later")
    publish = to_mediawiki(server, tmp_path / "settings")
    publish(study)
    admin = MediaWiki(server.api, Credentials("Admin", ADMIN))
    admin.log_in()
    admin._write(action="delete", title="Deleted later", reason="a wish")
    with pytest.raises(ConflictError, match="deleted it since"):
        publish(study)
    assert admin.read("Deleted later") is None
    assert publish(study, force=True).sent


def test_edit_in_between_is_a_conflict_even_by_the_same_account(client: MediaWiki) -> None:
    client.write("Race", "one", None, "")
    read = client.read("Race")
    client.write("Race", "two", read, "")
    with pytest.raises(ConflictError, match="changed the page"):
        client.write("Race", "three", read, "")
    assert client.read("Race").text == "two"


def test_merged_edit_is_reported(client: MediaWiki, human: MediaWiki) -> None:
    base = "\n\n".join(
        f"Paragraph {i} of some length, so that a merge is possible." for i in range(8)
    )
    client.write("Merge", base, None, "")
    read = client.read("Merge")
    human.write("Merge", base.replace("Paragraph 7", "Seventh"), read, "")
    with pytest.raises(ConflictError):
        client.write("Merge", base.replace("Paragraph 0", "Zeroth"), read, "")


def test_page_created_or_deleted_in_between(client: MediaWiki) -> None:
    client.write("Between", "one", None, "")
    with pytest.raises(ConflictError, match="created the page"):
        client.write("Between", "two", None, "")
    with pytest.raises(ConflictError, match="deleted the page"):
        client.write("Not there", "two", Remote("x", "1", "", ""), "")


@pytest.mark.parametrize("title", ["A|B[x]", "x" * 300, "A#b"])
def test_bad_title(client: MediaWiki, title: str) -> None:
    with pytest.raises(PublishError, match="no name for a page"):
        client.check(title)


def test_wrong_password_is_tried_once_and_never_shown(
    server: MediaWikiServer,
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
    capsys: pytest.CaptureFixture[str],
) -> None:
    caplog.set_level(logging.DEBUG)
    study = write_small_report(tmp_path / "study")
    wrong = "wrong-secret-that-must-not-leak&<1>"
    with pytest.raises(PublishError, match="refused the login") as caught:
        to_mediawiki(server, tmp_path / "settings", secret=wrong)(study)
    said = f"{caught.value!r} {caught.value} {caught.value.__context__!r} {caplog.text} {capsys.readouterr()}"
    assert "wrong-secret" not in said
    assert sum("POST" in r.getMessage() for r in caplog.records) <= 3


def test_login_throttle(server: MediaWikiServer) -> None:
    server.settings("$wgPasswordAttemptThrottle = [ [ 'count' => 1, 'seconds' => 300 ] ];")
    wiki = MediaWiki(server.api, Credentials("Throttled@kit", "wrong"))
    texts = []
    for _ in range(3):
        with pytest.raises(PublishError) as caught:
            wiki.log_in()
        texts.append(str(caught.value))
    assert "too many" in texts[-1]


@pytest.mark.parametrize(
    ("php", "match"),
    [
        ("$wgReadOnly = 'Moving house';", "read-only"),
        ("$wgEnableUploads = false;", "switched off"),
        (
            "$wgGroupPermissions['user']['upload'] = false; $wgGroupPermissions['autoconfirmed']['upload'] = false;",
            "upload",
        ),
        (
            "$wgGroupPermissions['user']['edit'] = false; $wgNamespaceProtection[NS_MAIN] = ['nobody'];",
            "edit",
        ),
        ("$wgMaxArticleSize = 1;", "bytes"),
        ("$wgMaxUploadSize = 100;", "Larger"),
    ],
)
def test_refused_before_anything_is_written(
    server: MediaWikiServer, tmp_path: Path, php: str, match: str
) -> None:
    study = write_small_report(tmp_path / "study", title="Refused")
    server.settings(php)
    with pytest.raises(PublishError, match=match):
        to_mediawiki(server, tmp_path / "settings")(study)
    server.settings("")
    assert revisions(server, "Refused") == 0


def test_rate_limit_is_waited_for(server: MediaWikiServer) -> None:
    waited: list[float] = []
    wiki = MediaWiki(server.api, Credentials(BOT, SECRET), wait=waited.append)
    wiki.log_in()
    server.settings(
        "$wgRateLimits['edit']['user'] = [ 1, 600 ]; $wgRateLimits['edit']['newbie'] = [ 1, 600 ]; $wgGroupPermissions['user']['noratelimit'] = false;"
    )
    wiki.write("Slow one", "a", None, "")
    with pytest.raises(PublishError, match="slow down"):
        wiki.write("Slow two", "a", None, "")
    assert waited == [5.0, 15.0, 45.0]
    assert wiki.read("Slow two") is None


def test_session_lost_is_renewed(client: MediaWiki) -> None:
    client.write("Before", "a", None, "")
    client.web.session.cookies.clear()
    client.write("After", "a", None, "")
    client._token = "worn+\\"
    client.upload("session-test.png", Attachment("s", "s", "png", png(33)))
    assert client.own(client.read("After").author)


def test_files(client: MediaWiki) -> None:
    file = Attachment("a", "a", "png", png(7))
    assert client.states({"file-test.png": file}) == {"file-test.png": "new"}
    client.upload("file-test.png", file)
    client.upload("file-test.png", file)
    client.upload("same-bytes.png", file)
    other = Attachment("a", "a", "png", png(8))
    assert client.states({"file-test.png": file, "same-bytes.png": other}) == {
        "file-test.png": "same",
        "same-bytes.png": "changed",
    }
    client.upload("same-bytes.png", other)
    assert client.states({"same-bytes.png": other}) == {"same-bytes.png": "same"}


@pytest.mark.parametrize(
    ("name", "data", "match"),
    [
        ("tool.exe", b"MZ\x00\x00", "distrusts|type of file"),
        ("empty.csv", b"", "empty"),
        ("cells.csv", b"a,b\n<script>alert(1)</script>,2\n", "distrusts|contents"),
        ("book.ipynb", b'{"cells": []}', "type of file|distrusts"),
    ],
)
def test_refused_file_is_named(client: MediaWiki, name: str, data: bytes, match: str) -> None:
    with pytest.raises(PublishError, match=match) as caught:
        client.upload(name, Attachment("x", "x", name.rsplit(".", 1)[1], data))
    assert name in str(caught.value)


def test_captcha_is_a_failure(server: MediaWikiServer, client: MediaWiki) -> None:
    server.settings(
        "wfLoadExtensions( [ 'ConfirmEdit' ] ); $wgCaptchaTriggers['create'] = true; "
        "$wgCaptchaTriggers['edit'] = true; $wgGroupPermissions['user']['skipcaptcha'] = false;"
    )
    with pytest.raises(PublishError, match="captcha"):
        client.write("Captcha", "a", None, "")
    server.settings("")
    assert client.read("Captcha") is None


def test_formula_extension_without_a_renderer_is_not_used(
    server: MediaWikiServer, client: MediaWiki
) -> None:
    server.settings("wfLoadExtension( 'Math' );")
    assert "math" not in client.check("Some page").tags


@pytest.mark.parametrize("path", ["/nowhere/api.php", "/index.php", "/images/api.php"])
def test_wrong_address(server: MediaWikiServer, path: str) -> None:
    with pytest.raises(PublishError, match=r"answered|MediaWiki"):
        MediaWiki(server.url + path, Credentials(BOT, SECRET)).check("X")


def test_unreachable_and_unsafe() -> None:
    with pytest.raises(UnreachableError, match="cannot be reached"):
        MediaWiki("http://127.0.0.1:9/api.php", Credentials(BOT, SECRET)).check("X")
    with pytest.raises(PublishError, match="Write https"):
        MediaWiki("http://wiki.example.org/api.php", Credentials(BOT, SECRET))


def test_https_on_a_plain_port(server: MediaWikiServer) -> None:
    with pytest.raises(UnreachableError, match="safe https"):
        MediaWiki(server.api.replace("http:", "https:"), Credentials(BOT, SECRET)).check("X")
