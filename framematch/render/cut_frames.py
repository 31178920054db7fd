"""A hidden cut as a film: the recorded frame of the run up to the cut, then the second camera's, with their blur."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from framematch.compare.cut import Cut
from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Pairing
from framematch.geometry.pose import Pose
from framematch.guide.shown import signed
from framematch.render import render
from framematch.render.blur import exposed
from framematch.render.picture import Picture
from framematch.render.pixels import frame_camera, width_for
from framematch.render.run_frames import MOST_FRAMES, Filming
from framematch.scene.model import Scene
from framematch.text.typeface import pillow_font

Bytes = NDArray[np.uint8]

_FOOT = 0.1  # of the height


def cut_frames(scene: Scene, pairing: Pairing, cut: Cut, filming: Filming, *, run_shutter_s: float) -> Iterator[Bytes]:
    """Each frame (H, W, 3) uint8 in turn, of one even size, with a line that says which camera it is."""
    first = frame_camera(pairing, height_px=filming.height_px)
    second = second_frame_camera(cut, filming.height_px)
    width = max(first.raster_px[0], second.raster_px[0])
    size = (width + width % 2, filming.height_px + 2 * round(filming.height_px * _FOOT / 2) + filming.height_px % 2)
    for i in range(frame_count(cut, filming.frames_per_s)):
        time = i / filming.frames_per_s
        run = time < cut.time_s
        camera, pose_at, shutter_s = (first, cut.before, run_shutter_s) if run else (second, cut.after, cut.second.shutter_s)

        def draw(pose: Pose, camera: Camera = camera) -> Picture:
            return render(scene, camera, pose, renderer=filming.renderer)

        picture = exposed(camera, draw(pose_at(time)), pose_at, draw, exposure_s=shutter_s, time_s=time)
        other = f"second camera, {cut.second_camera.lens.focal_mm:.1f} mm, tilt {signed(cut.tilt_deg, 1)} deg"
        words = f"run, {cut.time_s - time:.2f} s to the cut" if run else other
        yield _laid(picture, size, words)


def frame_count(cut: Cut, frames_per_s: int) -> int:
    """How many frames the film has.

    Raises:
        InputError: too many.
    """
    count = math.floor(cut.duration_s * frames_per_s + 1e-9) + 1
    if count > MOST_FRAMES:
        raise InputError(f"the run takes {cut.duration_s:.0f} s, {count:,} frames", field="speed", fix="fly a shorter way or faster")
    return count


def second_frame_camera(cut: Cut, height_px: int) -> Camera:
    """The second camera seeing its frame alone, at a height of its own."""
    camera, frame = cut.second_camera, cut.second.frame
    aspect = frame.width / camera.pixels_per_mm[0] * camera.lens.squeeze / (frame.height / camera.pixels_per_mm[1])
    return camera.cropped(frame, (width_for(float(aspect), height_px), height_px))


def _laid(picture: Bytes, size: tuple[int, int], words: str) -> Bytes:
    from PIL import Image, ImageDraw

    height = picture.shape[0]
    whole = Image.new("RGB", size, (18, 21, 25))
    whole.paste(Image.fromarray(picture), ((size[0] - picture.shape[1]) // 2, 0))
    font = pillow_font(max(9.0, height * 0.05))
    ImageDraw.Draw(whole).text((height * 0.03, (height + size[1]) / 2), words, font=font, fill=(176, 182, 190), anchor="lm")
    return np.asarray(whole)
