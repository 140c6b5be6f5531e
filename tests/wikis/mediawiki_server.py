"""A real MediaWiki: installed from the Debian package's code into a temporary folder, on SQLite."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import requests

from tests.wikis.server import free_port, php_server

CODE = Path("/usr/share/mediawiki")
BOT, SECRET, ADMIN = "Publisher@kit", "s3cretbotpasswordforthetests0001", "adminpasswordforthetests"

SETTINGS = """
$wgEnableUploads = true;
$wgFileExtensions = array_merge( $wgFileExtensions, [ 'svg', 'csv' ] );
$wgUploadDirectory = "{folder}/images";
$wgUploadPath = "/images";
$wgCacheDirectory = "{folder}/cache";
$wgTmpDirectory = "{folder}/tmp";
$wgUseImageMagick = true;
$wgImageMagickConvertCommand = trim( shell_exec( 'command -v convert' ) );
$wgMaxUploadSize = 8 * 1024 * 1024;
$wgGroupPermissions['*']['edit'] = false;
$wgEnableEmail = false;
$wgJobRunRate = 0;
$wgShowExceptionDetails = true;
$wgMainCacheType = CACHE_DB;
$wgPasswordAttemptThrottle = [ [ 'count' => 200, 'seconds' => 300 ] ];
wfLoadExtension( 'Cite' );
wfLoadExtension( 'SyntaxHighlight_GeSHi' );
wfLoadExtension( 'ParserFunctions' );
if ( file_exists( "{folder}/extra.php" ) ) {{ include "{folder}/extra.php"; }}
"""


@dataclass
class MediaWikiServer:
    url: str
    folder: Path

    @property
    def api(self) -> str:
        return f"{self.url}/api.php"

    def settings(self, php: str) -> None:
        """Change settings from now on; an empty text takes them back."""
        (self.folder / "extra.php").write_text(f"<?php\n{php}\n", encoding="utf-8")

    def ask(self, **query: Any) -> dict[str, Any]:
        with requests.Session() as session:
            session.trust_env = False
            data = {"format": "json", "formatversion": "2", **query}
            return dict(session.post(self.api, data=data, timeout=60).json())

    def parse(self, wikitext: str) -> str:
        """Give the HTML of a text, as the wiki would show it."""
        answer = self.ask(
            action="parse", text=wikitext, contentmodel="wikitext", title="Sandbox", disablelimitreport="1",
            disableeditsection="1", prop="text",
        )  # fmt: skip
        return str(answer["parse"]["text"])


@contextmanager
def mediawiki(folder: Path) -> Iterator[MediaWikiServer]:
    port = free_port()
    root = folder / "root"
    for name in ("root", "cache", "tmp", "db", "root/images"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    (folder / "images").symlink_to(root / "images")
    for entry in CODE.iterdir():
        if entry.name not in {"images", "LocalSettings.php", "config", "mw-config"}:
            (root / entry.name).symlink_to(entry.resolve())
    environment = {"MW_INSTALL_PATH": str(root)}
    (folder / "pass").write_text(ADMIN, encoding="utf-8")
    _php(
        root, environment, "install.php", "--dbtype", "sqlite", "--dbpath", str(folder / "db"), "--dbname", "wiki",
        "--server", f"http://127.0.0.1:{port}", "--scriptpath", "", "--confpath", str(folder), "--skins", "Vector",
        "--passfile", str(folder / "pass"), "Makerspace", "Admin",
    )  # fmt: skip
    settings = folder / "LocalSettings.php"
    settings.write_text(
        settings.read_text(encoding="utf-8") + SETTINGS.format(folder=folder), encoding="utf-8"
    )
    environment["MW_CONFIG_FILE"] = str(settings)
    _php(root, environment, "update.php", "--quick")
    _php(root, environment, "createAndPromote.php", "Publisher", "another-long-password-1")
    _php(root, environment, "createAndPromote.php", "Human", "another-long-password-2")
    grants = "basic,highvolume,editpage,createeditmovepage,uploadfile,uploadeditmovefile"
    for user in ("Publisher", "Human"):
        _php(
            root,
            environment,
            "createBotPassword.php",
            "--appid",
            "kit",
            "--grants",
            grants,
            user,
            SECRET,
        )
    with php_server(
        root,
        port,
        probe="/api.php?action=query&format=json",
        log=folder / "server.log",
        environment=environment,
    ) as url:
        yield MediaWikiServer(url, folder)


def _php(root: Path, environment: dict[str, str], script: str, *arguments: str) -> None:
    command = ["php", str(root / "maintenance" / script), *arguments]
    done = subprocess.run(
        command, env={**os.environ, **environment}, capture_output=True, text=True, cwd=root
    )
    if done.returncode:
        raise RuntimeError(f"{script} failed: {done.stdout[-1500:]}{done.stderr[-1500:]}")
