"""The page, served by ``framematch page``."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from streamlit.starlette import App

from framematch.live.offered import routes
from framematch.page.door import MIDDLEWARE, SCRIPT, house
from framematch.page.warm import warm_up


@asynccontextmanager
async def _served(app: Any) -> AsyncIterator[None]:
    warm_up()
    async with house(app):
        yield


app = App(SCRIPT, lifespan=_served, routes=routes(), middleware=MIDDLEWARE)
