"""A headless browser that opens real pages and is asked what it shows (by the DevTools protocol)."""

from __future__ import annotations

import itertools
import json
import subprocess
import tempfile
import time
from base64 import b64decode
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import requests
import websocket

LOOK = """
(() => {
  const inside = document.querySelector(SELECTOR) || document.body, problems = [];
  const seen = e => { const s = getComputedStyle(e); return s.display !== "none" && s.visibility !== "hidden"; };
  const scrolls = e => { for (let p = e.parentElement; p; p = p.parentElement)
    if (["auto", "scroll", "hidden"].includes(getComputedStyle(p).overflowX)) return true; return false; };
  const edge = document.documentElement.clientWidth + 1;
  for (const e of inside.querySelectorAll("p, li, img, table, pre, h2, h3, h4"))
    if (seen(e) && e.getBoundingClientRect().right > edge && !scrolls(e))
      problems.push("cut off: " + e.tagName + " " + e.textContent.slice(0, 40));
  for (const i of inside.querySelectorAll("img")) {
    if (!i.complete || !i.naturalWidth) problems.push("not loaded: " + i.src);
    if (!(i.alt || "").trim()) problems.push("no words for picture: " + i.src);
  }
  let level = 1;
  for (const h of inside.querySelectorAll("h1, h2, h3, h4, h5, h6")) {
    if (h.closest("#dw__toc, #toc")) continue;  // the wiki's own list of contents
    const now = Number(h.tagName[1]);
    if (now > level + 1) problems.push("heading level skipped: " + h.textContent);
    if (!h.textContent.trim()) problems.push("empty heading");
    level = now;
  }
  for (const t of inside.querySelectorAll("table")) if (!t.querySelector("th")) problems.push("table without headings");
  for (const a of inside.querySelectorAll("a[href]"))
    if (!a.textContent.trim() && !a.querySelector("img[alt]") && !a.getAttribute("aria-label") && !a.title) problems.push("link without words: " + a.href);
  if (!document.documentElement.lang) problems.push("no language stated");
  if (!document.title.trim()) problems.push("no title");
  const ids = [...inside.querySelectorAll("[id]")].map(e => e.id);
  for (const id of new Set(ids)) if (ids.filter(i => i === id).length > 1) problems.push("id used twice: " + id);
  const shade = c => { const v = c.match(/[\\d.]+/g).map(Number);
    return v.length > 3 && v[3] === 0 ? null : v.slice(0, 3).map(x => { x /= 255; return x <= 0.03928 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4; })
      .reduce((s, x, i) => s + x * [0.2126, 0.7152, 0.0722][i], 0); };
  const speaks = e => [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
  for (const e of [...inside.querySelectorAll("*")].filter(e => speaks(e) && !e.closest("script, style, #toc, #dw__toc"))) {
    let back = null, p = e;
    while (p && back === null) { back = shade(getComputedStyle(p).backgroundColor); p = p.parentElement; }
    const text = shade(getComputedStyle(e).color), ground = back ?? 1;
    const ratio = (Math.max(text, ground) + 0.05) / (Math.min(text, ground) + 0.05);
    if (e.textContent.trim() && seen(e) && ratio < 4.5) problems.push("low contrast " + ratio.toFixed(1) + ": " + e.textContent.slice(0, 40));
  }
  const tables = [...inside.querySelectorAll("table")].map(t => [t.rows.length, Math.max(...[...t.rows].map(r => r.cells.length))]);
  return JSON.stringify({problems: [...new Set(problems)], tables, pictures: inside.querySelectorAll("img").length,
    width: document.documentElement.scrollWidth, shown: document.documentElement.clientWidth});
})()
"""
"""Which rules: contrast 4.5, text alternatives, headings in order, names of links, language, unique ids (WCAG 2.1, level AA)."""


class Browser:
    def __init__(self, address: str) -> None:
        self._socket = websocket.create_connection(address, timeout=60, suppress_origin=True)
        self._numbers = itertools.count(1)

    def _ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        number = next(self._numbers)
        self._socket.send(json.dumps({"id": number, "method": method, "params": parameters}))
        while True:
            answer = json.loads(self._socket.recv())
            if answer.get("id") == number:
                assert "error" not in answer, answer
                return dict(answer["result"])

    def _value(self, script: str) -> Any:
        return self._ask("Runtime.evaluate", expression=script, awaitPromise=True)["result"].get(
            "value"
        )

    def open(self, url: str, *, width: int) -> None:
        self._ask(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=900,
            deviceScaleFactor=1,
            mobile=width < 600,
        )
        self._ask("Page.enable")
        self._ask("Page.navigate", url=url)
        for _ in range(300):
            if self._value("document.readyState === 'complete' && location.href !== 'about:blank'"):
                break
            time.sleep(0.05)
        # Collapsed parts are opened by scripts that come late; lazy pictures load when they are seen.
        self._value("document.querySelectorAll('img').forEach(i => { i.loading = 'eager'; })")
        self._value(
            "Promise.all([...document.images].map(i => i.decode().catch(() => 0))).then(() => 1)"
        )

    def look(self, selector: str) -> dict[str, Any]:
        return dict(json.loads(self._value(LOOK.replace("SELECTOR", json.dumps(selector)))))

    def run(self, script: str) -> Any:
        return self._value(script)

    def picture(self) -> bytes:
        size = self._ask("Page.getLayoutMetrics")["cssContentSize"]
        clip = {
            "x": 0,
            "y": 0,
            "width": size["width"],
            "height": min(size["height"], 12000),
            "scale": 1,
        }
        return b64decode(
            self._ask("Page.captureScreenshot", clip=clip, captureBeyondViewport=True)["data"]
        )


@contextmanager
def browser(program: Path) -> Iterator[Browser]:
    with tempfile.TemporaryDirectory(prefix="browser-", ignore_cleanup_errors=True) as profile:
        process = subprocess.Popen(
            [
                str(program), "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-port=0", "--no-proxy-server",
                "--no-first-run", f"--user-data-dir={profile}", "about:blank",
            ],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            yield Browser(_page_address(Path(profile) / "DevToolsActivePort"))
        finally:
            process.terminate()
            with suppress(subprocess.TimeoutExpired):
                process.wait(10)
            process.kill()


def _page_address(path: Path) -> str:
    for _ in range(400):
        if path.is_file() and path.read_text().strip():
            break
        time.sleep(0.05)
    port = path.read_text().split()[0]
    with requests.Session() as session:
        session.trust_env = False
        pages = session.get(f"http://127.0.0.1:{port}/json", timeout=20).json()
    return str(next(p for p in pages if p["type"] == "page")["webSocketDebuggerUrl"])
