"""The page served for tests, and a browser that can reach nothing else."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port: int = s.getsockname()[1]
        return port


@contextmanager
def served(script: Path | None = None, *, package: Path = ROOT, folder: Path | None = None) -> Iterator[str]:
    """The address of the page (or of another Streamlit script) while it is served from a folder, an empty one unless given, the package being ``package``."""
    port = free_port()
    if script is None:
        command = [sys.executable, "-P", "-m", "framematch", "page", "--no-browser", "--port", str(port)]
    else:
        options = ["--server.port", str(port), "--server.address", "127.0.0.1", "--server.headless", "true", "--browser.gatherUsageStats", "false"]
        command = [sys.executable, "-m", "streamlit", "run", str(script), *options, "--server.fileWatcherType", "none", "--runner.postScriptGC", "false"]
    with tempfile.TemporaryDirectory() as empty, open(Path(empty) / "log", "w+") as log:
        environment = {**os.environ, "PYTHONPATH": str(package), "PYOPENGL_PLATFORM": "egl"}
        process = subprocess.Popen(command, cwd=folder or empty, env=environment, stdout=log, stderr=subprocess.STDOUT, start_new_session=True)
        try:
            _wait(f"http://127.0.0.1:{port}/_stcore/health", process, Path(empty) / "log")
            yield f"http://127.0.0.1:{port}"
            assert process.poll() is None, (Path(empty) / "log").read_text()
            assert "Traceback" not in (text := (Path(empty) / "log").read_text()), text
        finally:
            with suppress(ProcessLookupError):
                os.killpg(process.pid, 15)
            process.wait(20)


def _wait(url: str, process: subprocess.Popen[Any], log: Path) -> None:
    end = time.monotonic() + 180
    while time.monotonic() < end:
        assert process.poll() is None, log.read_text()
        with suppress(OSError), urllib.request.urlopen(url, timeout=2) as answer:
            if answer.status == 200:
                return
        time.sleep(0.2)
    raise AssertionError(f"not served: {log.read_text()}")


NO_WEBGL = ("--disable-gpu", "--disable-3d-apis")
WEBGL = ("--use-angle=swiftshader", "--enable-unsafe-swiftshader")


_playwright: list[Any] = []
_open: list[Any] = []


@contextmanager
def launched(chromium: str, *arguments: str) -> Iterator[Any]:
    """A browser; all of a process share one Playwright, which lets no second one beside it."""
    from playwright.sync_api import sync_playwright

    if not _playwright:
        _playwright.append(sync_playwright().start())
    found = _playwright[0].chromium.launch(executable_path=chromium, args=["--no-sandbox", *arguments])
    _open.append(found)
    try:
        yield found
    finally:
        found.close()
        _open.remove(found)
        if not _open:
            _playwright.pop().stop()


@contextmanager
def browser(chromium: str, *, webgl: bool = False) -> Iterator[Any]:
    """A browser for the page; with ``webgl`` it draws the live views itself, in software."""
    from playwright.sync_api import expect

    expect.set_options(timeout=60_000)
    with launched(chromium, *(WEBGL if webgl else NO_WEBGL)) as found:
        yield found


#: Both views stand: drawn by the browser or, as in this one without WebGL, by the server.
SHARP = '.live[data-drawn="live"], .live[data-drawn="server"] .wide img.server'

#: What goes to the server and comes back, so that a test need not guess how long an answer takes.
TALK = """
window.talk = {sent: 0, heard: 0, open: 0};
window.WebSocket = class extends WebSocket {
  constructor(...of) { super(...of); this.addEventListener('message', () => talk.heard = performance.now()); }
  send(data) { talk.sent = performance.now(); super.send(data); }
};
const send = XMLHttpRequest.prototype.send;
XMLHttpRequest.prototype.send = function (...of) {
  talk.open += 1;
  this.addEventListener('loadend', () => { talk.open -= 1; talk.heard = performance.now(); });
  send.apply(this, of);
};
"""
#: Counted in rounds in which the page had nothing left to do, besides time: a machine that is shared gives it little of that.
STILL = """
ms => new Promise(resolve => {
  const talk = window.talk ?? {sent: 0, heard: 1, open: 0};
  let since = performance.now(), rounds = 0;
  const look = () => {
    const now = performance.now(), answered = talk.heard > talk.sent || now - talk.sent > 2500;
    const running = document.querySelector('[data-testid=stApp]')?.dataset.testScriptState !== 'notRunning';
    rounds += 1;
    if (running || talk.open || !answered) { since = now; rounds = 0; }
    if (now - since > ms && rounds > 8) resolve(true); else setTimeout(() => requestIdleCallback(look, {timeout: 2000}), 30);
  };
  look();
})
"""


def fresh(where: Any, *, scheme: str = "light", size: tuple[int, int] = (1440, 900), stranger: bool = False) -> Any:
    """An empty page that keeps the requests that left the machine; a stranger's shares neither cache nor cookies with the others."""
    context = where.new_context() if stranger or not where.contexts else where.contexts[0]
    page = context.new_page()
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.emulate_media(color_scheme=scheme)
    page.set_default_timeout(120_000)
    page.add_init_script(TALK)
    page.left_machine = []
    context.on("request", lambda request: None if _local(request.url) else page.left_machine.append(request.url))  # of pages that it opens, too
    return page


def opened(where: Any, url: str, **how: Any) -> Any:
    """A page once its sharp pictures stand."""
    page = fresh(where, **how)
    page.goto(url)
    page.wait_for_selector(SHARP)
    return page


def settle(page: Any) -> None:
    """Until the page is done: what was sent is answered, nothing has run for a moment and the sharp pictures stand."""
    page.evaluate(STILL, 300)
    page.wait_for_selector(SHARP)


def address(page: Any) -> str:
    """As the page itself has it: Playwright hears of it a little later."""
    said: str = page.evaluate("location.href")
    return said


def area(page: Any, name: str) -> None:
    page.get_by_role("tab", name=name, exact=True).click()
    page.get_by_role("tabpanel", name=name, exact=True).wait_for()
    settle(page)


def saved(page: Any, button: str, folder: Path) -> Path:
    """The file that a button saves."""
    with page.expect_download() as held:
        page.get_by_role("button", name=button, exact=True).click()
    path = folder / held.value.suggested_filename
    held.value.save_as(path)
    return path


def axe_faults(page: Any, where: str = "document") -> list[tuple[str, str]]:
    """Serious faults that axe-core finds in our own markup, and in contrast, names of pictures and labels everywhere."""
    import axe_playwright_python

    if not page.evaluate("'axe' in window"):
        page.add_script_tag(path=str(Path(axe_playwright_python.__file__).parent / "axe.min.js"))
    found = page.evaluate("where => axe.run(where === 'document' ? document : where, {resultTypes: ['violations']}).then(r => r.violations)", where)
    return [
        (fault["id"], node["html"][:200])
        for fault in found
        if fault["impact"] in ("serious", "critical")
        for node in fault["nodes"]
        if page.evaluate("s => !!document.querySelector(s)?.closest('.fm')", node["target"][0]) or fault["id"] in ("color-contrast", "image-alt", "label")
    ]


def _local(url: str) -> bool:
    return url.startswith(("http://127.0.0.1:", "ws://127.0.0.1:", "data:", "blob:", "about:"))
