"""Packed parts at an address each, so that a browser fetches one once and no run of the page carries it again."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import TYPE_CHECKING

from framematch.live.parts import head_of

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import Route

ROUTE = "/framematch-part/{id}"
OWN = ("127.0.0.1", "::1")
LIMIT_BYTES = 192_000_000  # of all that is on offer
_held: OrderedDict[str, bytes] = OrderedDict()
_lock = threading.Lock()


def offered(part: bytes) -> dict[str, str]:
    """Put a part on offer; what the browser is told of it. The one unused for longest goes when there is too much."""
    name = str(head_of(part)["id"])
    with _lock:
        _held[name] = part
        _held.move_to_end(name)
        while len(_held) > 1 and sum(map(len, _held.values())) > LIMIT_BYTES:
            _held.popitem(last=False)
    return {"id": name, "url": ROUTE.format(id=name).lstrip("/")}


async def answer(request: Request) -> Response:
    """A part by its id; what is under an id never changes, so the browser may keep it."""
    from starlette.responses import PlainTextResponse, Response

    with _lock:
        part = _held.get(request.path_params["id"])
    if part is None:
        return PlainTextResponse("There is no such part.\n", status_code=404)
    headers = {"cache-control": "private, max-age=86400, immutable"}
    if request.client is not None and request.client.host in OWN:
        headers["content-encoding"] = "identity"  # as it is: to squeeze it takes longer than to hand it to a browser on this computer
    return Response(part, media_type="application/octet-stream", headers=headers)


def routes() -> list[Route]:
    """Where the page's server has the parts."""
    from starlette.routing import Route

    return [Route(ROUTE, answer)]
