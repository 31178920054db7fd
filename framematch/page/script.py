"""What Streamlit runs for each visitor; ``start.py`` stands in front of it."""

from framematch.page.main import main

main()
