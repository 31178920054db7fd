"""Scenes to look at through a pairing's two lenses."""
