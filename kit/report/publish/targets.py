"""Where reports may be published: wikis described once a user, in a file that holds no secrets."""

from __future__ import annotations

import os
import re
import sys
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal, get_args
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, ValidationError

from kit.errors import PublishError

Engine = Literal["mediawiki", "dokuwiki", "markdown"]
ENGINES: tuple[str, ...] = get_args(Engine)
WHERE = "TESTPRINT_WIKIS"
LOOPBACK = ("127.0.0.1", "::1", "localhost")

EXAMPLE = """\
[makerspace]                    # testprint publish STUDY --to makerspace
engine = "mediawiki"            # mediawiki | dokuwiki | markdown
url = "https://wiki.example.org/w/api.php"
user = "Publisher@kit"          # a bot password made for this, never your own password

[pages]
engine = "markdown"             # pages in a git repository
repository = "git@git.example.org:makerspace/wiki.git"
folder = "prints"
"""


class Target(BaseModel):
    """One place to publish to.

    Attributes
    ----------
    name : str
        How the command names it.
    engine : {"mediawiki", "dokuwiki", "markdown"}
    url : str
        MediaWiki: the address of ``api.php``; DokuWiki: of the wiki.
    user : str
        Account; may also come with the credentials.
    page : str
        Page name; ``{title}`` stands for the study's title. DokuWiki: the page's id, ``{slug}`` for the title as a file name.
    namespace : str
        DokuWiki: where page and files go.
    repository, branch, folder : str
        Markdown: a git address or path, the branch ("" = the default one) and the folder for pages.
    file_types : tuple of str
        Types of files to publish; DokuWiki cannot be asked what it takes. Empty = the engine's default.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    engine: Engine
    url: str = ""
    user: str = ""
    page: str = ""
    namespace: str = ""
    repository: str = ""
    branch: str = ""
    folder: str = ""
    file_types: tuple[str, ...] = ()

    @property
    def address(self) -> str:
        """The wiki's or the repository's address."""
        return self.url or self.repository


def targets_file(environment: Mapping[str, str] | None = None) -> Path:
    """Give the file with the user's wikis: ``TESTPRINT_WIKIS``, else in the user's settings folder."""
    env = os.environ if environment is None else environment
    if env.get(WHERE):
        return Path(env[WHERE])
    return settings_folder(env) / "wikis.toml"


def settings_folder(env: Mapping[str, str]) -> Path:
    """Give the folder for this user's settings of the kit."""
    if sys.platform == "win32":
        base = env.get("APPDATA")
    else:
        base = env.get("XDG_CONFIG_HOME")
    return (Path(base) if base else Path.home() / ".config") / "testprint"


def read_target(name: str, path: Path | None = None) -> Target:
    """Read one target.

    Parameters
    ----------
    name : str
        Its name in the file.
    path : Path, optional
        The file; default `targets_file`.

    Returns
    -------
    Target

    Raises
    ------
    PublishError
        If there is no such file or target, or what it says is wrong; all problems of the target at once.
    """
    path = path or targets_file()
    try:
        written = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise PublishError(
            f"No wikis are described yet. Write {path.name} into {path.parent}, for example:\n\n{EXAMPLE}"
        ) from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise PublishError(f"{path.name} cannot be read: {error}.") from None
    if not isinstance(written.get(name), dict):
        known = ", ".join(k for k, v in written.items() if isinstance(v, dict)) or "none"
        raise PublishError(f"{path.name} describes no wiki {name!r}; it describes: {known}.")
    problems, target = _checked(name, written[name])
    if target is None or problems:
        raise PublishError("\n".join(f"{path.name}: [{name}] {p}" for p in problems))
    return target


def _checked(name: str, written: dict[str, Any]) -> tuple[list[str], Target | None]:
    secret = [k for k in written if re.search(r"pass|secret|token|key", k, re.IGNORECASE)]
    if secret:
        return [
            f"{k}: secrets do not belong here; see testprint publish --help." for k in secret
        ], None
    try:
        target = Target(name=name, **written)
    except (ValidationError, TypeError) as error:
        if not isinstance(error, ValidationError):
            return [str(error)], None
        return [_said(e) for e in error.errors()], None
    return _contradictions(target), target


def _said(error: Any) -> str:  # noqa: ANN401 - pydantic's own dictionary
    key = ".".join(map(str, error["loc"]))
    if error["type"] == "extra_forbidden":
        return (
            f"{key}: unknown; keys are {', '.join(k for k in Target.model_fields if k != 'name')}."
        )
    if key == "engine":
        return f"engine: one of {', '.join(ENGINES)}."
    return f"{key}: {error['msg']}."


def _contradictions(target: Target) -> list[str]:
    if target.engine == "markdown":
        missing = [] if target.repository else ["repository: missing; a git address or path."]
        return [*missing, *_secret_in(target.repository)]
    if not target.url:
        return ["url: missing; the wiki's address."]
    problems = _secret_in(target.url)
    parts = urlsplit(target.url)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        problems.append(f"url: found {target.url!r}, expected https://...")
    elif parts.scheme == "http" and parts.hostname not in LOOPBACK:
        problems.append(
            "url: plain http would send your password readable through the network; write https."
        )
    return problems


def _secret_in(url: str) -> list[str]:
    found = re.match(r"[a-z+]+://[^/@]*:[^/@]*@", url)
    return ["a password stands in the address; take it out."] if found else []
