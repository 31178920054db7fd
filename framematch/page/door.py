"""Who is let in, with how much, and what is done when they have gone.

The page answers to the names it is announced by: this computer's own and plain addresses. A foreign page in
somebody's browser that calls it by a name of its own (DNS rebinding) or opens a line to it (another
origin) is refused before Streamlit sees it, so Streamlit never asks outside who it is.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
import time
from collections.abc import AsyncIterator, Awaitable, Callable, MutableMapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from starlette.middleware import Middleware
from streamlit import config
from streamlit.runtime import Runtime

from framematch.page.tidy import tidy
from framematch.render.keep import emptied

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]

SCRIPT = Path(__file__).parent / "script.py"
MOST_TOGETHER_MB, ALL_TOGETHER_MB = 320, 640  # uploads of one visitor and of all, at one time
CLOSED = ("/_stcore/metrics", "/_stcore/agent")  # of no use to a visitor
UPLOADS = "/_stcore/upload_file/"
HEADERS = {
    "content-security-policy": "default-src 'self' 'unsafe-inline' 'unsafe-eval' data: blob:; frame-ancestors 'self'; form-action 'self'; base-uri 'self'",
    "x-frame-options": "SAMEORIGIN",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
}
KEPT_AFTER_LEAVING_S, LOOK_EVERY_S = 60.0, 10.0  # a phone that slept may come back to its page
_seen: dict[str, float] = {}


def came(session_id: str) -> None:
    """A visitor's page is being drawn."""
    _seen[session_id] = time.monotonic()


class Door:
    """ASGI middleware in front of the page."""

    def __init__(self, app: Any) -> None:
        self.app = app

    async def __call__(self, scope: Any, receive: Receive, send: Send) -> None:
        """Let a request in, or say why not."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        status, why = refusal(scope)
        if not status:
            await self.app(scope, receive, _with_headers(send))
            return
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008, "reason": why})
            return
        await send({"type": "http.response.start", "status": status, "headers": [(b"content-type", b"text/plain; charset=utf-8")]})
        await send({"type": "http.response.body", "body": f"{why}\n".encode()})


def refusal(scope: Any) -> tuple[int, str]:
    """Status and reason to refuse a request with; 0 lets it in."""
    headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
    host = headers.get("host", "")
    if not announced(host):
        return 421, f"This page is not served as {host[:100]!r}: open it by the address that framematch page printed."
    origin = headers.get("origin")
    if origin is not None and origin.partition("://")[2].lower() != host.lower():
        return 403, "Another page's requests are not served: open this page by itself."
    path = str(scope["path"])
    if path.startswith(CLOSED):
        return 404, "There is no such page."
    if path.startswith(UPLOADS) and scope.get("method") == "PUT":
        return _upload_refusal(path.removeprefix(UPLOADS).partition("/")[0], headers.get("content-length", ""))
    return 0, ""


def announced(host: str) -> bool:
    """Whether a Host header is this page's: a plain address, this computer's name, or what it was told to be served as."""
    name = host.rpartition(":")[0] if host.rpartition(":")[2].isdigit() and not host.endswith("]") else host
    name = name.strip("[]").lower()
    try:
        ipaddress.ip_address(name)
    except ValueError:
        own = socket.gethostname().lower()
        told = (config.get_option("server.address"), config.get_option("browser.serverAddress"))
        return bool(name) and name in {"localhost", own, f"{own}.local", *(str(each).lower() for each in told if each)}
    return True  # no name stands behind it that could be turned to another address


def _upload_refusal(session_id: str, length: str) -> tuple[int, str]:
    if not length.isdecimal() or len(length) > 12:
        return 411, "The upload does not say how large it is."
    storage: dict[str, dict[str, Any]] = getattr(Runtime.instance().uploaded_file_mgr, "file_storage", {})
    held = {key: sum(len(file.data) for file in list(files.values())) for key, files in list(storage.items())}
    if held.get(session_id, 0) + int(length) > MOST_TOGETHER_MB * 1e6:
        return 413, f"A visitor's uploads may take {MOST_TOGETHER_MB} MB together: take some out first."
    if sum(held.values()) + int(length) > ALL_TOGETHER_MB * 1e6:
        return 413, "The page holds as many uploads as it can: try again when others have finished."
    return 0, ""


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = {name.lower() for name, _ in message.get("headers", ())}
            more = [(name.encode(), value.encode()) for name, value in HEADERS.items() if name.encode() not in given]
            message = {**message, "headers": [*message.get("headers", ()), *more]}
        await send(message)

    return sending


@asynccontextmanager
async def house(_app: Any) -> AsyncIterator[None]:
    """While the page is served: what visitors leave behind is cleared away."""
    keeper = asyncio.create_task(_keep_house())
    try:
        yield
    finally:
        keeper.cancel()


async def _keep_house() -> None:
    while True:
        await asyncio.sleep(LOOK_EVERY_S)
        if close_left(time.monotonic()):
            if not _seen:  # what the last of them left: their pictures, and memory that others would not use
                emptied()
            await asyncio.to_thread(tidy)


def close_left(now: float) -> int:
    """End the sessions of visitors who have gone, uploads and all; how many."""
    runtime, left = Runtime.instance(), []
    for session_id, since in list(_seen.items()):
        if runtime.is_active_session(session_id):
            _seen[session_id] = now
        elif now - since > KEPT_AFTER_LEAVING_S:
            left.append(session_id)
    for session_id in left:
        del _seen[session_id]
        runtime.close_session(session_id)
    return len(left)


MIDDLEWARE = (Middleware(Door),)
