"""A scene by its name or from a mesh file, whichever is named."""

from __future__ import annotations

from pathlib import Path

from framematch.errors import InputError
from framematch.scene.load import Placement, load_scene
from framematch.scene.mesh_checks import SUFFIXES
from framematch.scene.model import Scene
from framematch.scene.opening import size_from
from framematch.scene.registry import make_scene


def open_scene(name: str, *, gap: str | None = None, scale: float = 1.0, up: str = "y") -> Scene:
    """The scene that a person named.

    Args:
        name: of a parametric scene, or a mesh file.
        gap: size of the gap as people write it, ``1.2x0.9``; parametric scenes only.
        scale: metres for each of a mesh's units.
        up: a mesh's upward axis, ``y`` or ``z``.

    Raises:
        InputError: no such scene or file, or an option that does not go with it.
    """
    path = Path(name)
    if path.suffix.lower() in SUFFIXES or path.exists():
        if gap is not None:
            raise InputError("a mesh has the openings that it has", field="gap", fix="leave --gap out, or choose a scene by name")
        return load_scene(path, placement=Placement(scale=scale, up=up))
    if (scale, up) != (1.0, "y"):
        raise InputError("only a mesh file is scaled or turned", field="scale", fix="leave --scale and --up out")
    width, height = (None, None) if gap is None else size_from(gap)
    return make_scene(name, width_m=width, height_m=height)
