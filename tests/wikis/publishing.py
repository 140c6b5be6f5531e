"""What the tests of publishing share: targets and credentials for the servers, and a publisher that fails nowhere else."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kit.report.publish.plan import Plan
from kit.report.publish.publish import publish_report
from tests.wikis import dokuwiki_server, mediawiki_server
from tests.wikis.dokuwiki_server import DokuWikiServer
from tests.wikis.mediawiki_server import MediaWikiServer

DAY = datetime.date(2026, 3, 4)


@dataclass
class Publisher:
    """Publishes to one target described in a file of its own."""

    targets: Path
    environment: dict[str, str]

    def __call__(
        self, study: Path, *, send: bool = True, day: datetime.date = DAY, **options: Any
    ) -> Plan:
        return publish_report(
            study,
            "space",
            today=day,
            send=send,
            targets=self.targets,
            environment=self.environment,
            **options,
        )


def to_mediawiki(
    server: MediaWikiServer, folder: Path, *, secret: str = mediawiki_server.SECRET, **keys: str
) -> Publisher:
    return _publisher(
        folder,
        {"engine": "mediawiki", "url": server.api, "user": mediawiki_server.BOT, **keys},
        secret,
    )


def to_dokuwiki(
    server: DokuWikiServer,
    folder: Path,
    *,
    secret: str = dokuwiki_server.SECRET,
    user: str = dokuwiki_server.USER,
    **keys: str,
) -> Publisher:
    target = {"engine": "dokuwiki", "url": server.url, "user": user, "namespace": "prints", **keys}
    return _publisher(folder, target, secret, types=["png", "zip", "csv"])


def to_repository(address: str, folder: Path) -> Publisher:
    return _publisher(folder, {"engine": "markdown", "repository": address, "folder": "prints"}, "")


def _publisher(
    folder: Path, target: dict[str, str], secret: str, types: list[str] | None = None
) -> Publisher:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "wikis.toml"
    lines = ["[space]", *(f'{k} = "{v}"' for k, v in target.items())]
    if types:
        lines.append(f"file_types = {types}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return Publisher(path, {"TESTPRINT_SPACE_SECRET": secret, "XDG_CONFIG_HOME": str(folder)})
