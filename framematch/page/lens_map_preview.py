"""What a lens map does, on a rendered view: as the lens draws it, and undistorted."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.pairing import Pairing
from framematch.output.lens_map import size_within, straightened
from framematch.page.pictures import built
from framematch.render import render
from framematch.render.keep import Kept
from framematch.render.views import wide_camera_and_bars
from framematch.shot.shot import Shot

WIDTH_PX = 480
Shown = tuple[str, tuple[int, int]]  # an image's source and its size


@dataclass(frozen=True, kw_only=True)
class Preview:
    """All that the two pictures depend on."""

    pairing: Pairing
    which: str
    angle_deg: float | None
    shot: Shot
    distance_m: float


_kept: Kept[tuple[Shown, Shown]] = Kept(limit_bytes=12_000_000, size=lambda both: sum(len(source) for source, _ in both))


def source(pairing: Pairing) -> Pairing:
    """The pairing without what the pictures don't depend on, so that a change of that finds them kept."""
    return replace(pairing, title="", frame=pairing.recording.picture, keep_percent=100.0, tolerance=type(pairing.tolerance)(), text_cells=None)


def lens_map_preview(preview: Preview) -> tuple[Shown, Shown]:
    """The picture as the lens draws it, and through the map to undistorted.

    Raises:
        InputError: no scene, nothing that can draw, or no such undistorted picture.
    """
    return _kept.get(preview, lambda: _draw(preview))


def _draw(preview: Preview) -> tuple[Shown, Shown]:
    pairing, scene = preview.pairing, built(preview.shot)
    pose = preview.shot.scene_from_recording(preview.distance_m)
    if preview.which == "recording":
        camera = pairing.recording.resized(size_within(pairing.recording.raster_px, 2 * WIDTH_PX))
        colour = render(scene, camera, pose).colour
    else:
        camera, shown = wide_camera_and_bars(pairing, height_px=size_within(pairing.display.raster_px, 2 * WIDTH_PX)[1])
        colour = render(scene, camera, pose @ pairing.mount.pose).colour * shown[..., None]
    after = straightened(colour, pairing, preview.which, width_px=WIDTH_PX, angle_deg=preview.angle_deg)
    return _shown(colour), _shown(after)


def _shown(colour: NDArray[np.uint8]) -> Shown:
    from PIL import Image

    out = io.BytesIO()
    picture = Image.fromarray(colour)
    picture.thumbnail((2 * WIDTH_PX, 2 * WIDTH_PX))
    picture.save(out, "JPEG", quality=84)
    return f"data:image/jpeg;base64,{base64.b64encode(out.getvalue()).decode()}", picture.size
