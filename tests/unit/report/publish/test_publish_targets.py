"""Wikis are described without secrets; credentials come from safe places only."""

from __future__ import annotations

import sys
import types
from pathlib import Path

import pytest

from kit.errors import PublishError
from kit.report.publish.credentials import Credentials, find_credentials
from kit.report.publish.targets import EXAMPLE, Target, read_target, targets_file


def written(folder: Path, text: str) -> Path:
    path = folder / "wikis.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_example_is_valid(tmp_path: Path) -> None:
    path = written(tmp_path, EXAMPLE)
    assert read_target("makerspace", path).engine == "mediawiki"
    assert read_target("pages", path).folder == "prints"


def test_missing_file_shows_an_example(tmp_path: Path) -> None:
    with pytest.raises(PublishError, match=r"\[makerspace\]"):
        read_target("x", tmp_path / "wikis.toml")


def test_unknown_target_names_the_known(tmp_path: Path) -> None:
    with pytest.raises(PublishError, match="makerspace, pages"):
        read_target("elsewhere", written(tmp_path, EXAMPLE))


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (
            '[x]\nengine = "mediawiki"\nurl = "https://a.example/api.php"\npassword = "p"',
            "secrets do not belong",
        ),
        ('[x]\nengine = "mediawiki"\nurl = "http://a.example/api.php"', "write https"),
        (
            '[x]\nengine = "mediawiki"\nurl = "https://me:pw@a.example/api.php"',
            "password stands in the address",
        ),
        ('[x]\nengine = "mediawiki"', "url: missing"),
        ('[x]\nengine = "markdown"', "repository: missing"),
        (
            '[x]\nengine = "markdown"\nrepository = "https://me:pw@git.example/x"',
            "password stands in the address",
        ),
        ('[x]\nengine = "wikitext"', "one of mediawiki, dokuwiki, markdown"),
        (
            '[x]\nengine = "mediawiki"\nurl = "https://a.example/api.php"\nurll = "y"',
            "urll: unknown",
        ),
        ("[x", "cannot be read"),
    ],
)
def test_wrong_target_is_refused(tmp_path: Path, text: str, match: str) -> None:
    with pytest.raises(PublishError, match=match):
        read_target("x", written(tmp_path, text))


def test_loopback_may_be_plain(tmp_path: Path) -> None:
    path = written(tmp_path, '[x]\nengine = "dokuwiki"\nurl = "http://127.0.0.1:8080/wiki"')
    assert read_target("x", path).url.startswith("http://")


def test_file_named_by_the_environment(tmp_path: Path) -> None:
    assert targets_file({"TESTPRINT_WIKIS": "/a/b.toml"}) == Path("/a/b.toml")
    if sys.platform != "win32":
        assert (
            targets_file({"XDG_CONFIG_HOME": str(tmp_path)})
            == tmp_path / "testprint" / "wikis.toml"
        )


TARGET = Target(name="my-space", engine="dokuwiki", url="https://a.example", user="kim")


@pytest.fixture(autouse=True)
def no_keyring(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "keyring", None)


def test_credentials_from_the_environment() -> None:
    env = {"TESTPRINT_MY_SPACE_SECRET": "s3", "TESTPRINT_MY_SPACE_USER": "noor"}
    assert find_credentials(TARGET, env) == Credentials("noor", "s3")
    assert find_credentials(TARGET, {"TESTPRINT_MY_SPACE_SECRET": "s3"}).user == "kim"


def test_credentials_from_the_keyring(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def get_credential(service: str, user: str | None) -> object:
        asked.append((service, user))
        return types.SimpleNamespace(username="kim", password="s3")

    keyring = types.ModuleType("keyring")
    errors = types.ModuleType("keyring.errors")
    keyring.get_credential = get_credential  # type: ignore[attr-defined]
    errors.KeyringError = RuntimeError  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "keyring", keyring)
    monkeypatch.setitem(sys.modules, "keyring.errors", errors)
    assert find_credentials(TARGET, {}) == Credentials("kim", "s3")
    assert asked == [("testprint:my-space", "kim")]


@pytest.fixture
def private(tmp_path: Path) -> Path:
    path = tmp_path / "credentials.toml"
    path.write_text('[my-space]\nsecret = "s3"\n', encoding="utf-8")
    path.chmod(0o600)
    return path


def test_credentials_from_a_private_file(private: Path) -> None:
    assert find_credentials(TARGET, {"TESTPRINT_CREDENTIALS": str(private)}) == Credentials(
        "kim", "s3"
    )


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such modes")
@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644])
def test_file_that_others_can_read_is_refused(private: Path, mode: int) -> None:
    private.chmod(mode)
    with pytest.raises(PublishError, match="chmod 600") as caught:
        find_credentials(TARGET, {"TESTPRINT_CREDENTIALS": str(private)})
    assert "s3" not in str(caught.value)


def test_file_in_a_repository_is_refused(private: Path) -> None:
    (private.parent / ".git").mkdir()
    with pytest.raises(PublishError, match="inside a git repository"):
        find_credentials(TARGET, {"TESTPRINT_CREDENTIALS": str(private)})


def test_damaged_file_is_not_quoted(private: Path) -> None:
    private.write_text('[my-space]\nsecret = "topsecret', encoding="utf-8")
    with pytest.raises(PublishError, match="not valid TOML") as caught:
        find_credentials(TARGET, {"TESTPRINT_CREDENTIALS": str(private)})
    assert "topsecret" not in repr(caught.value)


def test_no_credentials_says_where_to_put_them(tmp_path: Path) -> None:
    with pytest.raises(PublishError, match="TESTPRINT_MY_SPACE_SECRET"):
        find_credentials(TARGET, {"TESTPRINT_CREDENTIALS": str(tmp_path / "none.toml")})


def test_secret_is_in_no_representation() -> None:
    assert "s3" not in f"{Credentials('kim', 's3')!r}{Credentials('kim', 's3')}"
