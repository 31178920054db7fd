"""The frames of a run: both views side by side at each frame's time, with how far it is to the gap."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.geometry.pose import Pose
from framematch.guide.report import guide_report
from framematch.output.guide_drawing import OUTLINE, RECTANGLE, guide_drawing
from framematch.output.raster import drawing_picture
from framematch.render import render
from framematch.render.blur import exposed
from framematch.render.pixels import frame_camera
from framematch.render.sheet import marked
from framematch.render.views import Views, both_views, wide_camera_and_bars
from framematch.scene.model import Scene
from framematch.shot.way import Way

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

RATES = (24, 25, 30, 60)
MOST_FRAMES = 20_000
_GROUND, _INK, _QUIET, _LINE = (18, 21, 25), (240, 240, 240), (176, 182, 190), (90, 98, 108)


@dataclass(frozen=True, kw_only=True)
class Filming:
    """How a run is filmed.

    Args:
        frames_per_s: 24, 25, 30 or 60.
        shutter_deg: shutter angle of the motion blur; None for none. The exposure is centred on each
            frame's time and lasts shutter / (360 x rate).
        moments: drawn for one frame's blur (see :mod:`framematch.render.blur`), an odd number; None takes as many as
            the motion asks for.
        height_px: of both views.
        renderer: ``auto``, ``gl`` or ``rays``.

    Raises:
        InputError: a value out of range.
    """

    frames_per_s: int = 25
    shutter_deg: float | None = None
    moments: int | None = None
    height_px: int = 360
    renderer: str = "auto"

    def __post_init__(self) -> None:
        if self.frames_per_s not in RATES:
            raise InputError(f"{self.frames_per_s} frames per second is no rate here", field="fps", fix=f"choose {', '.join(map(str, RATES))}")
        if self.shutter_deg is not None and not 0 < self.shutter_deg <= 360:
            raise InputError(f"{self.shutter_deg:g} degrees is no shutter angle", field="shutter", fix="give above 0, at most 360")
        if self.moments is not None and not (1 <= self.moments < 64 and self.moments % 2):
            raise InputError(f"{self.moments} moments for one frame's blur", field="moments", fix="give an odd number, 1 to 63")
        if not 120 <= self.height_px <= 1080:
            raise InputError(f"{self.height_px} pixels is no height here", field="height", fix="give 120 to 1080")


@dataclass(frozen=True, kw_only=True)
class Layout:
    """Where things lie in a frame, in pixels; even sizes, as video wants them."""

    size: tuple[int, int]
    pad: int
    head: int
    wide_px: tuple[int, int]
    frame_px: tuple[int, int]

    @property
    def second(self) -> int:
        """Left edge of the recorded view."""
        return 2 * self.pad + self.wide_px[0]


def frame_times(way: Way, frames_per_s: int) -> list[Fraction]:
    """Each frame's time in seconds: whole multiples of 1 / rate while the run lasts.

    Raises:
        InputError: too many frames.
    """
    count = math.floor(way.duration_s * frames_per_s + 1e-9) + 1
    if count > MOST_FRAMES:
        raise InputError(f"the run takes {way.duration_s:.0f} s, {count:,} frames", field="speed", fix="fly a shorter way or faster")
    return [Fraction(i, frames_per_s) for i in range(count)]


def layout(pairing: Pairing, filming: Filming) -> Layout:
    """The frame's layout for a pairing."""
    wide = wide_camera_and_bars(pairing, height_px=filming.height_px)[0].raster_px
    narrow = frame_camera(pairing, height_px=wide[1]).raster_px
    pad, head, foot = round(wide[1] / 30), round(wide[1] / 11), round(wide[1] / 5.5)
    size = (wide[0] + narrow[0] + 3 * pad, head + wide[1] + foot)
    return Layout(size=(size[0] + size[0] % 2, size[1] + size[1] % 2), pad=pad, head=head, wide_px=wide, frame_px=narrow)


def run_frames(scene: Scene, pairing: Pairing, way: Way, filming: Filming) -> Iterator[Bytes]:
    """Each frame (H, W, 3) uint8 in turn."""
    from PIL import Image

    place = layout(pairing, filming)
    guide = _guide(pairing, place.wide_px)
    ground = _ground(pairing, place)
    for time in frame_times(way, filming.frames_per_s):
        views = _exposed(scene, pairing, way, float(time), filming)
        wide = Image.fromarray(marked(views)).convert("RGBA")
        wide.alpha_composite(guide)
        picture = ground.copy()
        picture.paste(wide.convert("RGB"), (place.pad, place.head))
        picture.paste(Image.fromarray(views.frame.colour), (place.second, place.head))
        _foot(picture, place, scene, way, float(time))
        yield np.asarray(picture)


def _exposed(scene: Scene, pairing: Pairing, way: Way, time: float, filming: Filming) -> Views:
    """Both views at a time; with motion blur the pictures are summed over the exposure, what is recorded is its middle's."""
    middle = both_views(scene, pairing, way.pose(time), height_px=filming.height_px, renderer=filming.renderer)
    if filming.shutter_deg is None:
        return middle
    exposure = filming.shutter_deg / 360 / filming.frames_per_s
    rig_from_wide = pairing.mount.pose

    def wide_at(moment: float) -> Pose:
        return way.pose(moment) @ rig_from_wide

    seen = [(middle.wide_camera, middle.wide, wide_at), (middle.frame_camera, middle.frame, way.pose)]
    wide, frame = (
        exposed(
            camera,
            picture,
            at,
            lambda pose, camera=camera: render(scene, camera, pose, renderer=filming.renderer),  # type: ignore[misc]
            moments=filming.moments,
            exposure_s=exposure,
            time_s=time,
        )
        for camera, picture, at in seen
    )
    return replace(middle, wide=replace(middle.wide, colour=wide * middle.shown[..., None]), frame=replace(middle.frame, colour=frame))


def _guide(pairing: Pairing, size: tuple[int, int]) -> Any:
    from PIL import Image

    over = drawing_picture(guide_drawing(guide_report(pairing), parts=("outline", "rectangle", "centre")))
    # Sizes are reduced with colour already multiplied by cover, else clear pixels would darken the lines.
    return over if over.size == size else over.convert("RGBa").resize(size, Image.Resampling.LANCZOS).convert("RGBA")


def _ground(pairing: Pairing, place: Layout) -> Any:
    from PIL import Image, ImageDraw

    picture = Image.new("RGB", place.size, _GROUND)
    draw = ImageDraw.Draw(picture)
    font = _font(place, 0.045)
    middle = place.head / 2
    draw.text((place.pad, middle), "MONITORING CAMERA: the goggles, with the guide", font=font, fill=_INK, anchor="lm")
    draw.text((place.second, middle), "RECORDING CAMERA: the frame as recorded", font=font, fill=_INK, anchor="lm")
    x = float(place.pad)
    y = place.head + place.wide_px[1] + round(place.wide_px[1] * 0.055)
    small = _font(place, 0.038)
    for colour, words in ((RECTANGLE, "guide rectangle"), (OUTLINE, "guide outline"), ("#ffffff", "bright: really recorded")):
        draw.line((x, y, x + place.head, y), fill=colour, width=max(2, place.head // 10))
        draw.text((x + place.head * 1.2, y), words, font=small, fill=_QUIET, anchor="lm")
        x += place.head * 1.9 + draw.textlength(words, font=small)
    return picture


def _foot(picture: Any, place: Layout, scene: Scene, way: Way, time: float) -> None:
    """Distance in words, speed, time, and a bar of the whole run with the gap on it."""
    from PIL import ImageDraw

    draw = ImageDraw.Draw(picture)
    font = _font(place, 0.055)
    height = place.wide_px[1]
    y = place.head + height + round(height * 0.128)
    left = place.pad
    draw.text((left, y), where_in_words(scene, way, time), font=font, fill=_INK, anchor="lm")
    speed = way.speed(time)
    draw.text((place.second, y), f"{speed:.1f} m/s ({3.6 * speed:.0f} km/h)   {time:.2f} s", font=font, fill=_INK, anchor="lm")
    right = place.size[0] - place.pad
    start = place.second + round(draw.textlength("00.0 m/s (000 km/h)   000.00 s  ", font=font))
    if start > right - 40:
        return
    share = min(1.0, time / way.duration_s)
    draw.line((start, y, right, y), fill=_LINE, width=max(2, height // 120))
    at = gap_share(scene, way)
    if at is not None:
        x = start + at * (right - start)
        draw.line((x, y - height * 0.025, x, y + height * 0.025), fill=RECTANGLE, width=max(2, height // 120))
        draw.text((x, y - height * 0.055), "gap", font=_font(place, 0.038), fill=_QUIET, anchor="mm")
    x, r = start + share * (right - start), height * 0.016
    draw.ellipse((x - r, y - r, x + r, y + r), fill=_INK)


def before_gap_m(scene: Scene, pose: Pose) -> float | None:
    """How far the recording camera is before the opening's plane; below 0 behind it. None without an opening."""
    return None if scene.opening is None else -float((scene.scene_from_opening.inverse @ pose).translation_m[2])


def gap_share(scene: Scene, way: Way) -> float | None:
    """The share of the run's time at which it passes the gap's plane; None if it doesn't."""
    times = np.linspace(0, way.duration_s, 400)
    distances = [before_gap_m(scene, way.pose(float(t))) for t in times]
    if distances[0] is None:
        return None
    d = np.array(distances, dtype=np.float64)
    passed = np.flatnonzero((d[:-1] > 0) & (d[1:] <= 0))
    if not len(passed):
        return None
    i = int(passed[0])
    return float((times[i] + (times[i + 1] - times[i]) * d[i] / (d[i] - d[i + 1])) / way.duration_s)


def where_in_words(scene: Scene, way: Way, time: float) -> str:
    """Such as ``2.4 m before the gap``."""
    distance = before_gap_m(scene, way.pose(time))
    if distance is None:
        return f"{time / way.duration_s:.0%} of the way"
    return "in the gap" if abs(distance) < 0.05 else f"{abs(distance):.1f} m {'before' if distance > 0 else 'past'} the gap"


def _font(place: Layout, share: float) -> Any:
    from PIL import ImageFont

    return ImageFont.load_default(max(9.0, share * place.wide_px[1]))
