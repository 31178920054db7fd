"""Pictures of a scene through any lens, by two independent renderers, and what of them is really recorded."""

from __future__ import annotations

import logging
import threading

from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.geometry.pose import Pose
from framematch.render.picture import Picture
from framematch.scene.model import Scene

__all__ = ["RENDERERS", "Picture", "picked", "render"]

RENDERERS = ("auto", "gl", "rays")
_said = threading.Event()


def picked(renderer: str = "auto") -> str:
    """The renderer that will be used: ``gl`` or ``rays``. ``auto`` is ``gl`` where there is one.

    That there is no GL is said once, as a warning of the logger ``framematch``.

    Raises:
        InputError: no such renderer, or ``gl`` asked for where there is none.
    """
    if renderer not in RENDERERS:
        raise InputError(f"{renderer!r} is not a renderer", field="renderer", fix=f"use one of {', '.join(RENDERERS)}")
    if renderer == "rays":
        return "rays"
    from framematch.render import gl

    why = gl.missing()
    if not why:
        return "gl"
    if renderer == "gl":
        raise InputError(f"no GL here ({why})", field="renderer", fix="use auto or rays")
    if not _said.is_set():
        _said.set()
        logging.getLogger("framematch").warning("no GL here, so pictures are made by the ray renderer (%s)", why)
    return "rays"


def render(scene: Scene, camera: Camera, scene_from_camera: Pose, *, renderer: str = "auto", quick: bool = False) -> Picture:
    """A picture with depth of a scene through a camera.

    Args:
        scene: what to draw.
        camera: with any lens; its raster is the picture's size.
        scene_from_camera: where it is and looks; of the recording or the monitoring camera.
        renderer: ``auto``, ``gl`` or ``rays``; the picture says which one made it.
        quick: sampled less finely, for a picture that is only looked at while a hand moves.

    Raises:
        InputError: as :func:`picked`.
    """
    if picked(renderer) == "gl":
        from framematch.render import gl

        return gl.render(scene, camera, scene_from_camera.matrix, quick=quick)
    from framematch.render import rays

    return rays.render(scene, camera, scene_from_camera.matrix, quick=quick)
