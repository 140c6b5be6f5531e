"""A PHP web server on loopback in a process group of its own."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

import requests


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


@contextmanager
def php_server(
    docroot: Path,
    port: int,
    *,
    probe: str,
    log: Path,
    environment: Mapping[str, str] | None = None,
    settings: tuple[str, ...] = (),
    post_limit: str = "24M",
) -> Iterator[str]:
    """Serve ``docroot``; the whole group is stopped at the end, workers included."""
    options = [
        "upload_max_filesize=20M", f"post_max_size={post_limit}", "memory_limit=512M", "opcache.enable=1", "opcache.revalidate_freq=0", *settings,
    ]  # fmt: skip
    command = [
        "php",
        *(x for o in options for x in ("-d", o)),
        "-S",
        f"127.0.0.1:{port}",
        "-t",
        str(docroot),
    ]
    env = {**os.environ, "PHP_CLI_SERVER_WORKERS": "3", **(environment or {})}
    # The shell holds the pipe's other end: when this process dies, however it dies, the whole group goes too.
    guarded = ["sh", "-c", '"$@" & cat > /dev/null; kill -TERM 0', "sh", *command]
    with log.open("ab") as out:
        process = subprocess.Popen(
            guarded,
            stdin=subprocess.PIPE,
            stdout=out,
            stderr=out,
            env=env,
            start_new_session=True,
            cwd=docroot,
        )
    url = f"http://127.0.0.1:{port}"
    try:
        _wait(url + probe, process, log)
        yield url
    finally:
        assert process.stdin is not None
        process.stdin.close()
        with suppress(subprocess.TimeoutExpired):
            process.wait(5)
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)


def _wait(url: str, process: subprocess.Popen[bytes], log: Path) -> None:
    with requests.Session() as session:
        session.trust_env = False
        for _ in range(200):
            if process.poll() is not None:
                break
            with suppress(requests.RequestException):
                if session.get(url, timeout=10).status_code < 500:
                    return
            time.sleep(0.05)
    raise RuntimeError(f"the server did not start:\n{log.read_text(errors='replace')[-2000:]}")
