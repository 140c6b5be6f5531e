"""Secrets: found in the environment, the system's keyring or a private file, and never shown."""

from __future__ import annotations

import os
import re
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from kit.errors import PublishError
from kit.report.publish.targets import Target, settings_folder

FILE = "TESTPRINT_CREDENTIALS"


@dataclass(frozen=True)
class Credentials:
    """An account and its secret; the secret never enters a representation."""

    user: str
    secret: str = field(repr=False)


def find_credentials(target: Target, environment: Mapping[str, str] | None = None) -> Credentials:
    """Find the account and secret for a wiki.

    Looked for in this order: environment variables ``TESTPRINT_<NAME>_USER`` and ``TESTPRINT_<NAME>_SECRET``; the system's
    keyring, service ``testprint:<name>``; ``credentials.toml`` beside the wikis' file (or the file named by
    ``TESTPRINT_CREDENTIALS``), readable by its owner alone.

    Parameters
    ----------
    target : Target
        The wiki.
    environment : mapping, optional
        Default: that of the process.

    Returns
    -------
    Credentials

    Raises
    ------
    PublishError
        If there are none, or the file is readable by others or lies in a git repository.
    """
    env = os.environ if environment is None else environment
    prefix = "TESTPRINT_" + re.sub(r"\W", "_", target.name).upper()
    user = env.get(f"{prefix}_USER") or target.user
    secret = env.get(f"{prefix}_SECRET")
    if secret and user:
        return Credentials(user, secret)
    for found in (_from_keyring(target.name, user), _from_file(target.name, user, _file(env))):
        if found is not None:
            return found
    raise PublishError(
        f"No credentials for {target.name}. Put them into the environment ({prefix}_USER and {prefix}_SECRET), into the "
        f"keyring (keyring set testprint:{target.name} USER), or into {_file(env).name} (mode 0600):\n"
        f'  [{target.name}]\n  user = "..."\n  secret = "..."'
    )


def _file(env: Mapping[str, str]) -> Path:
    return Path(env[FILE]) if env.get(FILE) else settings_folder(env) / "credentials.toml"


def _from_keyring(name: str, user: str) -> Credentials | None:
    try:
        import keyring
        from keyring.errors import KeyringError
    except ImportError:
        return None
    try:
        found = keyring.get_credential(f"testprint:{name}", user or None)
    except KeyringError:  # no keyring on this machine, or it is locked
        return None
    return Credentials(found.username, found.password) if found and found.username else None


def _from_file(name: str, user: str, path: Path) -> Credentials | None:
    if not path.is_file():
        return None
    if os.name == "posix" and stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise PublishError(
            f"{path.name} can be read by others; nothing was sent. Run: chmod 600 {path.name}"
        )
    if any((folder / ".git").exists() for folder in path.resolve().parents):
        raise PublishError(
            f"{path.name} lies inside a git repository; move it out, nothing was sent."
        )
    try:
        entry = tomllib.loads(path.read_text(encoding="utf-8")).get(name, {})
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        # The parser's message could quote a line that holds a secret.
        raise PublishError(f"{path.name} is not valid TOML; nothing was sent.") from None
    account = entry.get("user") or user
    secret = entry.get("secret")
    return Credentials(account, secret) if account and secret else None
