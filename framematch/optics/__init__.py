"""Depth of field, exposure, image motion and media."""
