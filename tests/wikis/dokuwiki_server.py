"""A real DokuWiki: the Debian package's code with a temporary folder for settings and data."""

from __future__ import annotations

import subprocess
import xmlrpc.client
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import requests

from tests.wikis.server import free_port, php_server

CODE = Path("/usr/share/dokuwiki")
USER, SECRET = "publisher", "dokusecretforthetests01"
FOLDERS = (
    "attic",
    "cache",
    "index",
    "locks",
    "log",
    "media",
    "media_attic",
    "media_meta",
    "meta",
    "pages",
    "tmp",
)

LOCAL = """<?php
$conf['title'] = 'Makerspace';
$conf['savedir'] = '{folder}/data';
$conf['useacl'] = 1;
$conf['superuser'] = '@admin';
$conf['passcrypt'] = 'bcrypt';
$conf['remote'] = 1;
$conf['remoteuser'] = '@publisher';
$conf['baseurl'] = 'http://127.0.0.1:{port}';
$conf['disableactions'] = 'register';
if (file_exists('{folder}/extra.php')) include '{folder}/extra.php';
"""

ACL = "*  @ALL  1\n*  @publisher  8\nlocked:*  @publisher  1\nnofiles:*  @publisher  4\n"


@dataclass
class DokuWikiServer:
    url: str
    folder: Path

    def settings(self, php: str) -> None:
        """Change settings from now on; an empty text takes them back."""
        (self.folder / "extra.php").write_text(f"<?php\n{php}\n", encoding="utf-8")

    def call(self, method: str, *arguments: Any, user: str = "human") -> Any:
        body = xmlrpc.client.dumps(arguments, method, allow_none=True, encoding="utf-8").encode()
        with requests.Session() as session:
            session.trust_env = False
            answer = session.post(
                f"{self.url}/lib/exe/xmlrpc.php", data=body, auth=(user, SECRET),
                headers={"Content-Type": "text/xml"}, timeout=60,
            )  # fmt: skip
        answer.raise_for_status()
        return xmlrpc.client.loads(answer.content)[0][0]

    def parse(self, text: str, page: str = "sandbox:fuzz") -> str:
        """Give the HTML of a text, as the wiki would show it."""
        assert self.call("wiki.putPage", page, text, {}) is True
        return str(self.call("wiki.getPageHTML", page))


@contextmanager
def dokuwiki(folder: Path) -> Iterator[DokuWikiServer]:
    port = free_port()
    conf = folder / "conf"
    for name in FOLDERS:
        (folder / "data" / name).mkdir(parents=True)
    conf.mkdir()
    hashed = subprocess.run(
        ["php", "-r", f"echo password_hash('{SECRET}', PASSWORD_BCRYPT, ['cost' => 4]);"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    users = [f"{name}:{hashed}:{name}:{name}@example.org:{groups}" for name, groups in (
        (USER, "user,publisher"), ("human", "user,publisher"), ("reader", "user"),
    )]  # fmt: skip
    files = {
        "local.php": LOCAL.format(folder=folder, port=port),
        "users.auth.php": "# <?php exit()?>\n" + "\n".join(users) + "\n",
        "acl.auth.php": "# <?php exit()?>\n" + ACL,
        "mime.local.conf": "csv !text/csv\n",
        "plugins.local.php": "<?php\n$plugins['testing'] = 0;\n",
    }
    for name, text in files.items():
        (conf / name).write_text(text, encoding="utf-8")
    prepend = folder / "prepend.php"
    prepend.write_text(f"<?php define('DOKU_CONF', '{conf}/');\n", encoding="utf-8")
    with php_server(
        CODE,
        port,
        probe="/doku.php",
        log=folder / "server.log",
        settings=(f"auto_prepend_file={prepend}",),
    ) as url:
        yield DokuWikiServer(url, folder)
