"""The frames of a run: both views side by side at each frame's time, with how far it is to the gap."""

from __future__ import annotations

import hashlib
import math
import os
import pickle
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Pairing
from framematch.geometry.pose import Pose
from framematch.guide.report import guide_report
from framematch.guide.shown import quantity, shown_in, speed, system
from framematch.output.guide_drawing import OUTLINE, RECTANGLE, guide_drawing
from framematch.output.raster import drawing_picture
from framematch.render import render
from framematch.render.blur import exposed
from framematch.render.pixels import frame_camera
from framematch.render.sheet import marked
from framematch.render.views import Views, both_views, wide_camera_and_bars
from framematch.scene.model import Scene
from framematch.shot.contact import Nearest
from framematch.shot.flown import Flown
from framematch.shot.lean import attitude_deg
from framematch.shot.way import Way
from framematch.spread import spread
from framematch.text.typeface import pillow_font

if TYPE_CHECKING:
    from PIL.Image import Image as PillowImage

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

RATES = (24, 25, 30, 60)
FEWEST_SHARED, MOST_AT_ONCE = 30, 24  # frames of a film drawn by several processes, and that one draws at a time
_THREADS = "LP_NUM_THREADS"
_AROUND_S = 0.01  # between the headings that a turn is found from
_TOUCH, _WARNED_S = (200, 30, 24), 1.5
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
        sets: of lines drawn.
        units: metric or imperial, of the words below; as spoken where the film is asked for.

    Raises:
        InputError: a value out of range.
    """

    frames_per_s: int = 25
    shutter_deg: float | None = None
    moments: int | None = None
    height_px: int = 360
    renderer: str = "auto"
    sets: int = 1
    units: str = field(default_factory=system)

    def __post_init__(self) -> None:
        if self.frames_per_s not in RATES:
            raise InputError(f"{self.frames_per_s} frames per second is not a rate here", field="fps", fix=f"choose {', '.join(map(str, RATES))}")
        if self.shutter_deg is not None and not 0 < self.shutter_deg <= 360:
            raise InputError(f"{self.shutter_deg:g} degrees is not a shutter angle", field="shutter", fix="give above 0, at most 360")
        if self.moments is not None and not (1 <= self.moments < 64 and self.moments % 2):
            raise InputError(f"{self.moments} moments for one frame's blur", field="moments", fix="give an odd number, 1 to 63")
        if not 120 <= self.height_px <= 1080:
            raise InputError(f"{self.height_px} pixels is not a height here", field="height", fix="give 120 to 1080")


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


@dataclass(frozen=True, kw_only=True, eq=False)
class _Film:
    """What every frame of a film shares, worked out once: the guide's drawing, and where on the run the gap is."""

    scene: Scene
    pairing: Pairing
    way: Way
    filming: Filming
    touches: Nearest | None
    guide: PillowImage
    gap_share: float | None


def run_frames(
    scene: Scene, pairing: Pairing, way: Way, filming: Filming, *, touches: Nearest | None = None, workers: int = 1, scheduler: str | None = None
) -> Iterator[Bytes]:
    """Each frame (H, W, 3) uint8 in turn.

    Args:
        touches: where and when the aircraft first touches something; marked in the frames.
        workers: processes that draw at once; short films are drawn by one.
        scheduler: address of a Dask scheduler whose workers draw in place of this machine's processes.
    """
    times = frame_times(way, filming.frames_per_s)
    guide = _guide(pairing, layout(pairing, filming).wide_px, filming.sets)
    film = _Film(scene=scene, pairing=pairing, way=way, filming=filming, touches=touches, guide=guide, gap_share=gap_share(scene, way))
    if scheduler is None and (workers < 2 or len(times) < FEWEST_SHARED):
        yield from _frames(film, times)
        return
    size = min(max(math.ceil(len(times) / (2 * workers)), 6), MOST_AT_ONCE)
    packed = pickle.dumps(film)
    key = hashlib.sha256(packed).hexdigest()
    handed = np.frombuffer(packed, dtype=np.uint8)  # an array goes over once, not with every part
    parts = [(key, handed, times[i : i + size]) for i in range(0, len(times), size)]
    # Each process draws on one core: a renderer that spreads over all of them would get in the others' way.
    with _one_core_each():
        for part in spread(_part, parts, jobs=workers, scheduler=scheduler, ahead=workers + 1):
            yield from part


def _part(key: str, packed: Bytes, times: list[Fraction]) -> list[Bytes]:
    film = _unpacked.get(key)
    if film is None:
        # One film for all its parts in a process: what is kept of a scene on the graphics side goes by the scene's identity.
        film = pickle.loads(packed.tobytes())
        _unpacked.clear()
        _unpacked[key] = film
    return list(_frames(film, times))


_unpacked: dict[str, _Film] = {}


@contextmanager
def _one_core_each() -> Iterator[None]:
    """The software renderer's own setting, for processes started meanwhile."""
    before = os.environ.get(_THREADS)
    os.environ[_THREADS] = before or "1"
    try:
        yield
    finally:
        if before is None:
            del os.environ[_THREADS]


def _frames(film: _Film, times: list[Fraction]) -> Iterator[Bytes]:
    from PIL import Image

    scene, pairing, way, touches = film.scene, film.pairing, film.way, film.touches
    place = layout(pairing, film.filming)
    ground = _ground(pairing, place)
    for time in times:
        views = _exposed(scene, pairing, way, float(time), film.filming)
        wide = Image.fromarray(marked(views)).convert("RGBA")
        wide.alpha_composite(film.guide)
        picture = ground.copy()
        picture.paste(wide.convert("RGB"), (place.pad, place.head))
        picture.paste(Image.fromarray(views.frame.colour), (place.second, place.head))
        if touches is not None:
            mark_touch(picture, (place.second, place.head), views.frame_camera, way.pose(float(time)), float(time), touches)
        with shown_in(film.filming.units):  # which another process has not heard of
            _foot(picture, place, film, float(time))
        yield np.asarray(picture)


def mark_touch(picture: PillowImage, corner: tuple[int, int], camera: Camera, scene_from_camera: Pose, time: float, touches: Nearest) -> None:
    """Where the aircraft first touches something: a cross there before it does, a border and words from then on."""
    from PIL import ImageDraw

    left, top = corner
    width, height = camera.raster_px
    draw = ImageDraw.Draw(picture)
    font = pillow_font(max(9.0, height * 0.055))
    pixel, seen = camera.project(scene_from_camera.inverse.points(touches.point_m))
    if time < touches.time_s and seen and camera.picture.contains(pixel):
        x, y, r = left + float(pixel[0]), top + float(pixel[1]), height * 0.03
        for wide, ink in ((5, "black"), (3, _TOUCH)):
            draw.line((x - r, y - r, x + r, y + r), fill=ink, width=wide)
            draw.line((x - r, y + r, x + r, y - r), fill=ink, width=wide)
    if time >= touches.time_s:
        draw.rectangle((left, top, left + width - 1, top + height - 1), outline=_TOUCH, width=max(3, height // 70))
    words = f"{'touched something' if time >= touches.time_s else 'will touch something'} at {touches.time_s:.2f} s ({touches.side} of the aircraft)"
    if time >= touches.time_s - _WARNED_S:
        draw.text((left + height * 0.04, top + height * 0.93), words, font=font, fill="white", anchor="lm", stroke_width=2, stroke_fill=_TOUCH)


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
            lambda pose, camera=camera: render(scene, camera, pose, renderer=filming.renderer, quick=True),  # type: ignore[misc]
            moments=filming.moments,
            exposure_s=exposure,
            time_s=time,
        )
        for camera, picture, at in seen
    )
    return replace(middle, wide=replace(middle.wide, colour=wide * middle.shown[..., None]), frame=replace(middle.frame, colour=frame))


def _guide(pairing: Pairing, size: tuple[int, int], sets: int) -> Any:
    from PIL import Image

    over = drawing_picture(guide_drawing(guide_report(pairing, sets=sets), parts=("outline", "rectangle", "centre")))
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


def _foot(picture: Any, place: Layout, film: _Film, time: float) -> None:
    """Distance in words, speed, time, and a bar of the whole run with the gap on it."""
    from PIL import ImageDraw

    scene, way = film.scene, film.way
    draw = ImageDraw.Draw(picture)
    font = _font(place, 0.055)
    height = place.wide_px[1]
    y = place.head + height + round(height * 0.128)
    left = place.pad
    draw.text((left, y), where_in_words(scene, way, time), font=font, fill=_INK, anchor="lm")
    draw.text((place.second, y), f"{speed(way.speed(time))}   {time:.2f} s", font=font, fill=_INK, anchor="lm")
    if isinstance(way, Flown):
        draw.text((place.second, y - height * 0.073), lean_in_words(way, time), font=_font(place, 0.045), fill=_QUIET, anchor="lm")
    right = place.size[0] - place.pad
    start = place.second + round(draw.textlength(f"{speed(88.8)}   000.00 s  ", font=font))
    if start > right - 40:
        return
    share = min(1.0, time / way.duration_s)
    draw.line((start, y, right, y), fill=_LINE, width=max(2, height // 120))
    if film.gap_share is not None:
        x = start + film.gap_share * (right - start)
        draw.line((x, y - height * 0.025, x, y + height * 0.025), fill=RECTANGLE, width=max(2, height // 120))
        draw.text((x + height * 0.015, y + height * 0.034), "gap", font=_font(place, 0.038), fill=_QUIET, anchor="lm")
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
    return "in the gap" if abs(distance) < 0.05 else f"{quantity(abs(distance), 'm', '.1f')} {'before' if distance > 0 else 'past'} the gap"


def lean_in_words(flown: Flown, time: float) -> str:
    """Such as ``braking 4.3 m/s2, turning left 25 deg/s, nose up 21 deg, left side down 14 deg``."""
    motion = flown.at(time)
    speed_m_s = float(motion.speed_m_s)
    ahead = float(motion.acceleration_m_s2 @ motion.velocity_m_s) / speed_m_s if speed_m_s > 0.05 else 0.0
    _, pitch, roll = (float(v) for v in attitude_deg(flown.airframe(time)))
    said = [f"{'speeding up' if ahead > 0 else 'braking'} {quantity(abs(ahead), 'm/s2', '.1f')}"] if abs(ahead) >= 0.3 else []
    around = np.clip([time - _AROUND_S, time + _AROUND_S], 0, flown.duration_s)
    rate = math.degrees(float(np.diff(flown.course.heading_rad(around))[0] / np.diff(around)[0]))
    said += [f"turning {'right' if rate > 0 else 'left'} {abs(rate):.0f} deg/s"] if abs(rate) >= 1.5 else []
    said += [f"nose {'up' if pitch > 0 else 'down'} {abs(pitch):.0f} deg"] if abs(pitch) >= 0.5 else []
    said += [f"{'right' if roll > 0 else 'left'} side down {abs(roll):.0f} deg"] if abs(roll) >= 0.5 else []
    return ", ".join(said) or "level"


def _font(place: Layout, share: float) -> Any:
    return pillow_font(max(9.0, share * place.wide_px[1]))
