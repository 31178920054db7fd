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
    end = time.monotonic() + 60
    while time.monotonic() < end:
        assert process.poll() is None, log.read_text()
        with suppress(OSError), urllib.request.urlopen(url, timeout=2) as answer:
            if answer.status == 200:
                return
        time.sleep(0.2)
    raise AssertionError(f"not served: {log.read_text()}")


@contextmanager
def browser(chromium: str) -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        try:
            yield found
        finally:
            found.close()


SHARP = 'figure[data-view="wide"][data-height="540"]'


STILL = """
ms => new Promise(resolve => {
  let since = performance.now();
  const look = () => {
    if (document.querySelector('[data-testid=stApp]')?.dataset.testScriptState !== 'notRunning') since = performance.now();
    if (performance.now() - since > ms) resolve(true); else setTimeout(look, 40);
  };
  look();
})
"""


def opened(where: Any, url: str, *, scheme: str = "light", size: tuple[int, int] = (1440, 900)) -> Any:
    """A page in a context of its own, once its sharp pictures stand; it keeps the requests that left the machine."""
    context = where.new_context(viewport={"width": size[0], "height": size[1]}, color_scheme=scheme, accept_downloads=True)
    page = context.new_page()
    page.set_default_timeout(60_000)
    page.left_machine = []
    page.on("request", lambda request: None if _local(request.url) else page.left_machine.append(request.url))
    context.on("page", lambda other: other.on("request", lambda r: None if _local(r.url) else page.left_machine.append(r.url)))
    page.goto(url)
    page.wait_for_selector(SHARP)
    return page


def _local(url: str) -> bool:
    return url.startswith(("http://127.0.0.1:", "ws://127.0.0.1:", "data:", "blob:", "about:"))
