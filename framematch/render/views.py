"""Both views of a scene through a pairing: the display with what is really recorded marked, and the frame."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.camera import Camera, Rect
from framematch.geometry.pairing import Pairing
from framematch.geometry.pose import Pose
from framematch.guide.areas import areas
from framematch.guide.best import at_distance
from framematch.render import render
from framematch.render.picture import Picture
from framematch.render.pixels import frame_camera, width_for
from framematch.render.recorded import Recorded, filled, recorded
from framematch.scene.model import Scene

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False)
class Views:
    """Both pictures at one pose, of the same height.

    Args:
        wide: the display's picture, bars black.
        frame: the recorded frame, de-squeezed.
        wide_camera, frame_camera: as they were rendered.
        recorded: per pixel of ``wide``.
        shown: (H, W), pixels of ``wide`` that carry picture.
    """

    wide: Picture
    frame: Picture
    wide_camera: Camera
    frame_camera: Camera
    recorded: Recorded
    shown: Mask

    @property
    def renderer(self) -> str:
        """``gl`` or ``rays``."""
        return self.wide.renderer


def both_views(scene: Scene, pairing: Pairing, scene_from_recording: Pose, *, height_px: int | None = None, renderer: str = "auto") -> Views:
    """Render both views.

    Args:
        scene_from_recording: where the rig is and looks.
        height_px: of both pictures; the display's own if not given.
        renderer: ``auto``, ``gl`` or ``rays``.
    """
    wide_camera, shown = wide_camera_and_bars(pairing, height_px=height_px)
    narrow = frame_camera(pairing, height_px=wide_camera.raster_px[1])
    frame = render(scene, narrow, scene_from_recording, renderer=renderer)
    wide = render(scene, wide_camera, scene_from_recording @ pairing.mount.pose, renderer=renderer)
    if not shown.all():
        wide = replace(wide, colour=wide.colour * shown[..., None], distance_m=np.where(shown, wide.distance_m, np.float32(np.nan)))
    truth = recorded(mount=pairing.mount, wide_camera=wide_camera, wide=wide, frame_camera=narrow, frame=frame, shown=shown)
    return Views(wide=wide, frame=frame, wide_camera=wide_camera, frame_camera=narrow, recorded=truth, shown=shown)


def wide_camera_and_bars(pairing: Pairing, *, height_px: int | None = None) -> tuple[Camera, Mask]:
    """The monitoring camera as the display shows it, at a height, and where the display has no bars."""
    display = pairing.display
    camera = pairing.display_camera
    if height_px is not None and height_px != display.raster_px[1]:
        camera = camera.resized((width_for(display.raster_px[0] / display.raster_px[1], height_px), height_px))
    (width, height), (shown_w, shown_h) = camera.raster_px, display.raster_px
    across = (np.arange(width) + 0.5) * shown_w / width
    down = (np.arange(height) + 0.5) * shown_h / height
    part = display.shown
    return camera, ((down >= part.top) & (down <= part.bottom))[:, None] & ((across >= part.left) & (across <= part.right))[None, :]


def outline_area(pairing: Pairing, distance_m: float, raster_px: tuple[int, int]) -> Mask:
    """Pixels inside the outline set for a distance, on the display sampled by a raster; none if it is not on it."""
    try:
        rings = areas(at_distance(pairing, distance_m)).always
    except InputError:
        rings = ()
    return filled([ring * _scale(pairing, raster_px) for ring in rings], raster_px)


def rectangle_area(pairing: Pairing, rectangle: Rect, raster_px: tuple[int, int]) -> Mask:
    """Pixels inside a rectangle of the display, on the display sampled by a raster."""
    return filled([rectangle.border([0, 1, 2, 3]) * _scale(pairing, raster_px)], raster_px)


def _scale(pairing: Pairing, raster_px: tuple[int, int]) -> Floats:
    out: Floats = np.array(raster_px) / np.array(pairing.display.raster_px)
    return out
