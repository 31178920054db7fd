"""Commands: page."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from framematch.cli.screen import say

EXPOSED = (
    "Anyone on the same network can now open this page, read what its address holds and use this computer's time. "
    "Nothing they do reaches your files. Use a hotspot of your own with a password, and stop the page when done."
)


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    app.command("page")(page)


def page(
    port: Annotated[int, typer.Option(help="Port to serve on.", metavar="N", min=1, max=65535)] = 8501,
    phone: Annotated[bool, typer.Option("--phone", help="Serve to the whole local network too, such as a phone on this computer's hotspot.")] = False,
    quiet: Annotated[bool, typer.Option("--no-browser", help="Don't open the browser.")] = False,
) -> None:
    """Open the page: all of this in the browser."""
    import importlib.util
    import subprocess
    from pathlib import Path

    from framematch.errors import InputError

    if importlib.util.find_spec("streamlit") is None:
        raise InputError("needs the page's packages", field="page", fix="run: pip install 'framematch[page]'")
    from framematch.page.settings import arguments

    start = Path(__file__).parent.parent / "page" / "start.py"
    changes: dict[str, str | int | bool] = {"server.port": port, "server.headless": quiet}
    if phone:
        changes["server.address"] = "0.0.0.0"
        say(EXPOSED)
        for address in _addresses():
            say(f"On the phone: http://{address}:{port}")
    try:
        # From a folder of ours: modules and settings for Streamlit that lie in the current one are not the page's.
        done = subprocess.run([sys.executable, "-P", "-m", "streamlit", "run", str(start), *arguments(changes)], cwd=start.parent, check=False)
    except KeyboardInterrupt:
        return
    raise typer.Exit(done.returncode)


def _addresses() -> list[str]:
    """This computer's addresses on its own networks; asks nobody."""
    import socket

    try:
        found = {str(entry[4][0]) for entry in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
    except OSError:
        return []
    return sorted(address for address in found if not address.startswith("127."))
