"""Measuring on the page, a file for each task."""
