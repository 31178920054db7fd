"""The page, served by ``framematch page``."""

import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from streamlit.starlette import App

from framematch.live.offered import routes
from framematch.page.door import MIDDLEWARE, SCRIPT, house
from framematch.page.net import refuse_in_one_line
from framematch.page.warm import warm_up

HANDED_ON_S = 0.0005  # Python's own 5 ms add up where a page asks for a hundred small files while a thread works


@asynccontextmanager
async def _served(app: Any) -> AsyncIterator[None]:
    sys.setswitchinterval(HANDED_ON_S)
    refuse_in_one_line()
    warm_up()
    async with house(app):
        yield


app = App(SCRIPT, lifespan=_served, routes=routes(), middleware=MIDDLEWARE)
