"""Commands: page."""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path
from typing import Annotated, Optional

import typer

from framematch.cli.screen import say

EXPOSED = (
    "Anyone on the same network can now open this page, read what its address holds and use this computer's time. "
    "Nothing they do reaches your files. Use a hotspot of your own with a password, and stop the page when done."
)


#: glibc gives each thread a heap of its own, which keeps what threads long gone have freed; a page's threads work one after another.
FEW_HEAPS = {"MALLOC_ARENA_MAX": "2"}


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    app.command("page")(page)


def page(
    rigs: Annotated[Optional[list[Path]], typer.Argument(help="Pairing files to open; the first is shown.", metavar="PAIRING")] = None,  # noqa: UP045
    port: Annotated[int, typer.Option(help="Port to serve on; the next free one if it is taken.", metavar="N", min=1, max=65535)] = 8501,
    phone: Annotated[bool, typer.Option("--phone", help="Serve to the whole local network too, such as a phone on this computer's hotspot.")] = False,
    quiet: Annotated[bool, typer.Option("--no-browser", help="Don't open the browser.")] = False,
) -> None:
    """Open the page: all of this in the browser."""
    import importlib.util
    import os
    import tempfile
    import threading

    from framematch.errors import InputError

    if importlib.util.find_spec("streamlit") is None:
        raise InputError("needs the page's packages", field="page", fix="run: pip install 'framematch[page]'")
    from framematch.page.opened import OPENED, bundle
    from framematch.page.settings import arguments

    texts = bundle(rigs or [])
    host = "0.0.0.0" if phone else "127.0.0.1"
    free = _free_port(host, port)
    if free != port:
        say(f"Port {port} is taken; the page is served on {free}.")
    # Never Streamlit's own start in a browser: on a new machine that asks for an e-mail address first.
    changes: dict[str, str | int | bool] = {"server.port": free, "server.headless": True, "server.address": host, "logger.hideWelcomeMessage": True}
    say(f"Serving http://127.0.0.1:{free}; end it with Ctrl-C.")
    if phone:
        say(EXPOSED)
        _say_addresses(free)
    sys.stdout.flush()  # the address is for whoever reads a log, too, and our own process waits from here on
    start = Path(__file__).parent.parent / "page" / "start.py"
    with tempfile.TemporaryDirectory(prefix="framematch-") as folder:
        held = Path(folder) / "opened.json"
        held.write_text(texts, encoding="utf-8")
        if not quiet:
            threading.Thread(target=_show, args=(free,), daemon=True).start()
        # From a folder of ours: modules and settings for Streamlit that lie in the current one are not the page's.
        command = [sys.executable, "-P", "-m", "streamlit", "run", str(start), *arguments(changes)]
        code = _run_until_told(command, folder=start.parent, environment={**FEW_HEAPS, **os.environ, OPENED: str(held)})
    raise typer.Exit(code)


def _run_until_told(command: list[str], *, folder: Path, environment: dict[str, str]) -> int:
    """Run a process that ends when we are told to: by Ctrl-C or a plain kill."""
    import signal
    import subprocess

    process = subprocess.Popen(command, cwd=folder, env=environment, stdin=subprocess.DEVNULL)
    signal.signal(signal.SIGTERM, lambda *_: process.terminate())
    try:
        code = process.wait()
    except KeyboardInterrupt:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
        return 0
    return 0 if code == -signal.SIGTERM else code


def _free_port(host: str, wanted: int) -> int:
    """The wanted port, or the next that nobody has."""
    import socket

    from framematch.errors import InputError

    for port in range(wanted, min(wanted + 50, 65536)):
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
            if sys.platform != "win32":
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, port))
            except OSError:
                continue
            return port
    raise InputError(f"no free port from {wanted} on", field="--port", fix="name another, such as 9000")


def _show(port: int) -> None:
    """Open the browser as soon as the page answers."""
    import socket
    import time
    import webbrowser

    for _ in range(300):
        try:
            with socket.create_connection(("127.0.0.1", port), timeout=1):
                break
        except OSError:
            time.sleep(0.2)
    webbrowser.open(f"http://127.0.0.1:{port}")


def _say_addresses(port: int) -> None:
    """The page's addresses on the local network, the first as a QR code too."""
    import segno

    found = [f"http://{address}:{port}" for address in _addresses()]
    for url in found:
        say(f"On the phone: {url}")
    if found:
        segno.make(found[0], error="m").terminal(compact=True)
    else:
        say("This computer has no address on a network that a phone could reach: join or open a hotspot first.")


def _addresses() -> list[str]:
    """This computer's addresses on its own networks; asks nobody and sends nothing."""
    import socket

    found: set[str] = set()
    with suppress(OSError):
        found |= {str(entry[4][0]) for entry in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
    for far in ("10.255.255.255", "192.168.255.255", "172.31.255.255"):  # connecting a datagram socket only chooses the address to send from
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            try:
                probe.connect((far, 9))
                found.add(str(probe.getsockname()[0]))
            except OSError:
                continue
    return sorted(address for address in found if not address.startswith(("127.", "0.")))
