"""The page's areas, one for each task."""
