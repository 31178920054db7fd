"""The page, ``streamlit run app.py``; ``framematch page`` serves the same."""

from streamlit.starlette import App

from framematch.page.door import MIDDLEWARE, SCRIPT, house

app = App(SCRIPT, lifespan=house, middleware=MIDDLEWARE)
