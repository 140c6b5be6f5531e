"""Markdown pages in a git repository: one commit, pushed without force; git keeps its own credentials."""

from __future__ import annotations

import os
import subprocess
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from kit.errors import ConflictError, PublishError


@dataclass(frozen=True)
class Pushed:
    """What a push did."""

    commit: str
    unchanged: bool = False


class Repository:
    """A fresh, shallow copy of one branch in a temporary folder; the user's own clone is never touched.

    Use as a context manager.
    """

    def __init__(self, address: str, branch: str = "") -> None:
        self.address = address
        self.branch = branch
        self._scratch = tempfile.TemporaryDirectory(prefix="testprint-git-")
        self.folder = Path(self._scratch.name) / "copy"
        self.empty = False

    def __enter__(self) -> Repository:
        """Copy the branch."""
        depth = [] if Path(self.address).exists() else ["--depth", "1"]
        branch = ["--branch", self.branch] if self.branch else []
        try:
            self._git(
                ["clone", "--quiet", *depth, *branch, "--", self.address, str(self.folder)],
                here=False,
            )
        except PublishError:
            self._scratch.cleanup()
            raise
        self.empty = not self._git(["rev-parse", "--verify", "--quiet", "HEAD"], check=False)
        return self

    def __exit__(self, *_: object) -> None:
        """Remove the copy."""
        self._scratch.cleanup()

    def head(self) -> str:
        """Give the commit that was copied; empty in a new repository."""
        return "" if self.empty else self._git(["rev-parse", "HEAD"])

    def read(self, name: str) -> bytes | None:
        """Read a file; None when there is none."""
        path = self._inside(name)
        return path.read_bytes() if path.is_file() else None

    def push(
        self, files: Mapping[str, bytes], message: str, *, remove: Iterable[str] = ()
    ) -> Pushed:
        """Write files, commit and push.

        Parameters
        ----------
        files : mapping of path to bytes
            What to write.
        message : str
            Of the commit.
        remove : iterable of path
            Files of an earlier publication that are no longer needed; the repository's history keeps them.

        Returns
        -------
        Pushed

        Raises
        ------
        ConflictError
            If somebody pushed meanwhile; nothing was changed then.
        PublishError
            If git refuses for another reason.
        """
        for name, data in files.items():
            path = self._inside(name)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        for name in remove:
            self._inside(name).unlink(missing_ok=True)
        self._git(["add", "--all"])
        if not self._git(["status", "--porcelain"]):
            return Pushed(self.head(), unchanged=True)
        self._git([*self._identity(), "commit", "--quiet", "--message", message])
        branch = self._git(["rev-parse", "--abbrev-ref", "HEAD"])
        done = self._run(["push", "--quiet", "origin", f"HEAD:refs/heads/{branch}"])
        if done.returncode:
            said = done.stderr
            if "non-fast-forward" in said or "fetch first" in said or "[rejected]" in said:
                raise ConflictError(
                    "Somebody pushed to the repository meanwhile; nothing was changed. Run the command again to compare."
                )
            raise PublishError(f"git could not push; nothing was changed there: {_last_line(said)}")
        return Pushed(self._git(["rev-parse", "HEAD"]))

    def _inside(self, name: str) -> Path:
        path = (self.folder / name).resolve()
        if (
            not path.is_relative_to(self.folder.resolve())
            or ".git" in path.relative_to(self.folder.resolve()).parts
        ):
            raise PublishError(f"{name} lies outside the repository; nothing was written.")
        return path

    def _identity(self) -> list[str]:
        if self._run(["config", "user.email"]).returncode == 0:
            return []
        return ["-c", "user.name=testprint", "-c", "user.email=testprint@localhost"]

    def _git(self, arguments: list[str], *, here: bool = True, check: bool = True) -> str:
        done = self._run(arguments, here=here)
        if done.returncode and check:
            raise PublishError(f"git {arguments[0]} failed: {_last_line(done.stderr)}")
        return done.stdout.strip()

    def _run(self, arguments: list[str], *, here: bool = True) -> subprocess.CompletedProcess[str]:
        place = ["-C", str(self.folder)] if here else []
        environment = {**os.environ, "GIT_TERMINAL_PROMPT": "0", "LC_ALL": "C"}
        environment.setdefault("GIT_SSH_COMMAND", "ssh -oBatchMode=yes")
        # Inside a hook or another repository git would work on that one instead.
        for name in ("GIT_DIR", "GIT_WORK_TREE", "GIT_INDEX_FILE"):
            environment.pop(name, None)
        try:
            return subprocess.run(
                ["git", *place, *arguments],
                capture_output=True,
                text=True,
                env=environment,
                timeout=300,
                check=False,
            )
        except FileNotFoundError:
            raise PublishError("git is not installed; install it, or use --bundle.") from None
        except subprocess.TimeoutExpired:
            raise PublishError("git did not finish within five minutes.") from None


def _last_line(text: str) -> str:
    lines = [line for line in text.strip().splitlines() if line.strip()]
    return lines[-1][:300] if lines else "no reason given"
