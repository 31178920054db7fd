"""The page: ``streamlit run app.py``, or ``framematch page``."""

from framematch.page.main import main

main()
