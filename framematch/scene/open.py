"""The scene of a shot: one of ours round its openings, or a mesh of one's own."""

from __future__ import annotations

from collections.abc import Sequence

from framematch.scene.load import load_scene
from framematch.scene.model import Scene
from framematch.scene.people import Figure
from framematch.scene.registry import make_scene
from framematch.shot.shot import Shot


def scene_of(shot: Shot, *, figures: Sequence[Figure] | None = None) -> Scene:
    """What there is to see of a shot: its place, its openings, its subjects where the tables have them.

    Args:
        figures: people by their places in the scene, instead of our scene's own.

    Raises:
        InputError: no such scene, a mesh that can't be read, or an opening that is not built.
    """
    if shot.place.file is not None:
        return load_scene(shot.place, *shot.openings, subjects=shot.subjects, figures=figures or ())
    return make_scene(shot.place.scene, *shot.openings, subjects=shot.subjects, figures=figures)
