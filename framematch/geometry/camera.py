"""Cameras: sensor area, raster and lens together map rays to pixels; frames and displays.

Pixels are continuous: (0, 0) is the outer corner of the top-left pixel, so a pixel's centre is at
+0.5 (OpenCV puts centres on whole numbers).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.geometry.lens import Lens

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

DIAGONAL_135_MM = math.hypot(36.0, 24.0)  # ISO 1007

#: Full areas in mm by generic name. Sources: ISO 1007 (135), SMPTE ST 59 and its forerunners (35 mm
#: film apertures), the published 17.3 x 13.0 of the 4/3-inch type; other inch types are nominal to about 2 %.
FORMATS_MM: dict[str, tuple[float, float]] = {
    "135-still": (36.0, 24.0),
    "super35-4perf": (24.89, 18.66),
    "super35-3perf": (24.89, 14.0),
    "academy-35": (22.0, 16.0),
    "4/3-inch": (17.3, 13.0),
    "1-inch": (13.2, 8.8),
    "2/3-inch": (8.8, 6.6),
    "1/1.8-inch": (7.18, 5.32),
    "1/2-inch": (6.4, 4.8),
    "1/2.3-inch": (6.16, 4.62),
    "1/2.5-inch": (5.76, 4.29),
    "1/3-inch": (4.8, 3.6),
}
#: What was once called otherwise, and its name now.
RENAMED_FORMATS = {"micro-four-thirds": "4/3-inch"}


@dataclass(frozen=True, kw_only=True)
class Rect:
    """An upright rectangle in pixels.

    Args:
        left, top, right, bottom: its edges, at any fraction of a pixel, also off the picture; 0, 0 is the
            outer corner of the top-left pixel.
    """

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width(self) -> float:
        return self.right - self.left

    @property
    def height(self) -> float:
        return self.bottom - self.top

    def as_tuple(self) -> tuple[float, float, float, float]:
        return (self.left, self.top, self.right, self.bottom)

    def border(self, shares: ArrayLike) -> Floats:
        """Points (..., 2) along the border: 0..1 top edge, 1..2 right, 2..3 bottom, 3..4 left, clockwise."""
        s = np.asarray(shares, dtype=np.float64)
        x = self.left + self.width * np.clip(np.where(s <= 2, s, 3 - s), 0, 1)
        y = self.top + self.height * np.clip(np.where(s <= 3, s - 1, 4 - s), 0, 1)
        return np.stack([x, y], axis=-1)

    def contains(self, points: ArrayLike) -> Mask:
        """Whether points (..., 2) lie inside or on the border; NaN does not."""
        p = np.asarray(points)
        inside: Mask = (p[..., 0] >= self.left) & (p[..., 0] <= self.right) & (p[..., 1] >= self.top) & (p[..., 1] <= self.bottom)
        return inside


@dataclass(frozen=True, kw_only=True)
class Angles:
    """Angles of view in degrees, NaN where the lens does not reach the corner or edge."""

    horizontal: float
    vertical: float
    diagonal: float


@dataclass(frozen=True, kw_only=True)
class Camera:
    """A lens before a read-out area and its raster.

    Args:
        lens: with its squeeze; at the focus it is used at.
        sensor_mm: width and height of the area that is read out.
        raster_px: width and height of the recorded picture, still squeezed.
        centre_px: where the lens axis meets the raster; the middle if not given.
        readout_ms: from the first row of the raster to the last; 0 is a global shutter, None is not known.
    """

    lens: Lens
    sensor_mm: tuple[float, float]
    raster_px: tuple[int, int]
    centre_px: tuple[float, float] = (math.nan, math.nan)
    readout_ms: float | None = None

    def __post_init__(self) -> None:
        if any(math.isnan(c) for c in self.centre_px):
            object.__setattr__(self, "centre_px", (self.raster_px[0] / 2, self.raster_px[1] / 2))

    @property
    def pixels_per_mm(self) -> Floats:
        """(2,): across and down."""
        out: Floats = np.array(self.raster_px) / np.array(self.sensor_mm)
        return out

    @property
    def pixels_per_rad(self) -> float:
        """At the lens axis, the coarser way."""
        return float(self.lens.focal_mm * self.pixels_per_mm.min())

    @property
    def picture(self) -> Rect:
        """The whole raster."""
        return Rect(left=0.0, top=0.0, right=float(self.raster_px[0]), bottom=float(self.raster_px[1]))

    def project(self, rays: ArrayLike) -> tuple[Floats, Mask]:
        """Pixels (..., 2) of rays (..., 3), on or off the raster, and whether the lens images each."""
        points, ok = self.lens.project(rays)
        points *= self.pixels_per_mm
        points += self.centre_px
        return points, ok

    def unproject(self, pixels: ArrayLike) -> tuple[Floats, Mask]:
        """Unit rays (..., 3) of pixels (..., 2), on or off the raster, and whether each has a ray."""
        return self.lens.unproject((np.asarray(pixels, dtype=np.float64) - self.centre_px) / self.pixels_per_mm)

    def angles(self, part: Rect | None = None) -> Angles:
        """Angles of view of a part of the raster (all of it if not given).

        Each is the angle from one edge's middle (or corner) to the middle of the part, plus from there
        to the other edge: exact for a straight lens and for any lens centred on the part, also past
        180 degrees.
        """
        r = part or self.picture
        x, y = (r.left + r.right) / 2, (r.top + r.bottom) / 2
        ends = [(r.left, y), (r.right, y), (x, r.top), (x, r.bottom), (r.left, r.top), (r.right, r.bottom)]
        rays, _ = self.unproject([*ends, (x, y)])
        half = _angle_between(rays[:-1], rays[-1])
        return Angles(**{n: math.degrees(half[2 * i] + half[2 * i + 1]) for i, n in enumerate(("horizontal", "vertical", "diagonal"))})

    def resized(self, raster_px: tuple[int, int]) -> Camera:
        """The same camera sampled by another raster over the same area (for a preview, say)."""
        scale = (raster_px[0] / self.raster_px[0], raster_px[1] / self.raster_px[1])
        return replace(self, raster_px=raster_px, centre_px=(self.centre_px[0] * scale[0], self.centre_px[1] * scale[1]))

    def cropped(self, part: Rect, raster_px: tuple[int, int]) -> Camera:
        """The camera that sees only a part of the raster, sampled by a raster of its own."""
        per_mm = self.pixels_per_mm
        sensor = (part.width / per_mm[0], part.height / per_mm[1])
        scale = (raster_px[0] / part.width, raster_px[1] / part.height)
        centre = ((self.centre_px[0] - part.left) * scale[0], (self.centre_px[1] - part.top) * scale[1])
        return replace(self, sensor_mm=(float(sensor[0]), float(sensor[1])), raster_px=raster_px, centre_px=centre)


def _angle_between(a: Floats, b: Floats) -> Floats:
    # atan2 form: accurate for tiny angles and for nearly opposite rays alike (Kahan).
    out: Floats = 2 * np.arctan2(np.linalg.norm(a - b, axis=-1), np.linalg.norm(a + b, axis=-1))
    return out


def equivalent_135_mm(angle_deg: float, *, side_mm: float = DIAGONAL_135_MM) -> float:
    """Focal length on the 135 still format (36 x 24 mm) with the same angle over one of its sides.

    The diagonal unless ``side_mm`` says 36 (width) or 24 (height). NaN from 180 degrees on.
    """
    return side_mm / (2 * math.tan(math.radians(angle_deg) / 2)) if angle_deg < 180 else math.nan


def format_part_mm(name: str, raster_px: Sequence[int]) -> tuple[float, float]:
    """The largest part of a format's area with the raster's shape, in mm."""
    width, height = FORMATS_MM[name]
    shape = raster_px[0] / raster_px[1]
    if abs(width / height / shape - 1) <= 0.02:
        return width, height
    return round(min(width, height * shape), 3), round(min(height, width / shape), 3)


def frame_in(raster_px: tuple[int, int], *, squeeze: float = 1.0, aspect: float | None = None, keep_percent: float = 100.0, align: str = "centre") -> Rect:
    """The frame, in pixels of the recorded raster.

    The middle ``keep_percent`` of the picture is what the stabiliser leaves; in it lies the largest
    rectangle of the delivery aspect, aligned as asked.

    Args:
        raster_px: width and height of the recorded picture, still squeezed.
        squeeze: anamorphic squeeze.
        aspect: width over height once de-squeezed; None for all of what is left.
        keep_percent: above 0, to 100.
        align: ``centre``, ``top``, ``bottom``, ``left`` or ``right``.
    """
    width, height = raster_px
    room_w, room_h = width * keep_percent / 100, height * keep_percent / 100
    frame_w, frame_h = room_w, room_h
    if aspect is not None:
        frame_w = min(room_w, room_h * aspect / squeeze)
        frame_h = min(room_h, room_w * squeeze / aspect)
    spare_w, spare_h = room_w - frame_w, room_h - frame_h
    left = (width - room_w) / 2 + spare_w * {"left": 0.0, "right": 1.0}.get(align, 0.5)
    top = (height - room_h) / 2 + spare_h * {"top": 0.0, "bottom": 1.0}.get(align, 0.5)
    return Rect(left=left, top=top, right=left + frame_w, bottom=top + frame_h)


@dataclass(frozen=True, kw_only=True)
class Display:
    """The picture in the goggles: the monitoring raster fitted to the display's own pixels.

    Args:
        raster_px: of the display.
        source_px: of the monitoring camera.
        fit: ``crop`` fills the display and loses edges, ``letterbox`` shows all and adds bars,
            ``stretch`` fits each axis by itself.
    """

    raster_px: tuple[int, int]
    source_px: tuple[int, int]
    fit: str = "crop"

    @property
    def scale(self) -> Floats:
        """(2,): display pixels per monitoring pixel, across and down."""
        each: Floats = np.array(self.raster_px, dtype=np.float64) / np.array(self.source_px)
        if self.fit == "stretch":
            return each
        return np.full(2, each.max() if self.fit == "crop" else each.min())

    @property
    def _shift(self) -> Floats:
        out: Floats = (np.array(self.raster_px) - self.scale * np.array(self.source_px)) / 2
        return out

    def from_source(self, pixels: ArrayLike) -> Floats:
        """Display pixels (..., 2) of monitoring pixels (..., 2), also outside the display."""
        out: Floats = np.asarray(pixels, dtype=np.float64) * self.scale + self._shift
        return out

    def to_source(self, pixels: ArrayLike) -> Floats:
        """Monitoring pixels (..., 2) of display pixels (..., 2)."""
        out: Floats = (np.asarray(pixels, dtype=np.float64) - self._shift) / self.scale
        return out

    @property
    def screen(self) -> Rect:
        """The whole display."""
        return Rect(left=0.0, top=0.0, right=float(self.raster_px[0]), bottom=float(self.raster_px[1]))

    @property
    def shown(self) -> Rect:
        """The part of the display that carries picture: all of it but the bars."""
        (left, top), (right, bottom) = self.from_source([(0, 0), self.source_px])
        w, h = self.raster_px
        return Rect(left=max(left, 0.0), top=max(top, 0.0), right=min(right, float(w)), bottom=min(bottom, float(h)))

    @property
    def source_shown(self) -> Rect:
        """The part of the monitoring raster that the display shows."""
        (left, top), (right, bottom) = self.to_source([(self.shown.left, self.shown.top), (self.shown.right, self.shown.bottom)])
        return Rect(left=float(left), top=float(top), right=float(right), bottom=float(bottom))


def check_shapes(*, sensor_mm: tuple[float, float], raster_px: tuple[int, int]) -> None:
    """Refuse a raster whose shape is not that of the area read out (2 % allowed: inch types are nominal).

    Raises:
        InputError: they disagree.
    """
    sensor, raster = sensor_mm[0] / sensor_mm[1], raster_px[0] / raster_px[1]
    if abs(sensor / raster - 1) > 0.02:
        height = round(sensor_mm[0] / raster, 3)
        width = round(sensor_mm[1] * raster, 3)
        part = f"[{sensor_mm[0]}, {height}]" if height <= sensor_mm[1] else f"[{width}, {sensor_mm[1]}]"
        raise InputError(
            f"area read out is {sensor:.3f}:1 but the raster {raster_px[0]} x {raster_px[1]} is {raster:.3f}:1",
            field="sensor_mm",
            fix=f"give the area that this mode reads out, such as {part}",
        )
