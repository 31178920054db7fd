"""The page, ``streamlit run app.py``; ``framematch page`` serves the same."""

from streamlit.starlette import App

from framematch.live.offered import routes
from framematch.page.door import MIDDLEWARE, SCRIPT, house

app = App(SCRIPT, lifespan=house, routes=routes(), middleware=MIDDLEWARE)
