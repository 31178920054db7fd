"""The page, served by ``framematch page``."""

from streamlit.starlette import App

from framematch.live.offered import routes
from framematch.page.door import MIDDLEWARE, SCRIPT, house

app = App(SCRIPT, lifespan=house, routes=routes(), middleware=MIDDLEWARE)
