"""A plain picture of the gap through a lens: wall, opening, ground and figures, a ray for each pixel.

It needs no scene, no graphics library and no mesh, and draws what the figures speak of and nothing
else. It goes from pixels to rays, so it is also a check of what goes from points to pixels.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Camera, Rect
from framematch.shot.opening import Opening
from framematch.shot.run import Run
from framematch.shot.values import Subject

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SKY_LOW, SKY_HIGH = np.array([236, 240, 243.0]), np.array([150, 183, 211.0])
GROUND, GROUND_LINE = np.array([150, 146, 132.0]), np.array([205, 201, 188.0])
WALL, WALL_LINE, JAMB = np.array([112, 98, 90.0]), np.array([128, 114, 105.0]), np.array([74, 64, 58.0])
FIGURE = np.array([204, 85, 45.0])
OFF = np.array([0, 0, 0.0])
_COURSE_M = 0.25
_FINE_PX, _SAMPLES, _SAMPLES_LARGE = 600, 3, 2  # of each pixel each way; a picture wider than that is printed finer than eyes see


def inside_opening(gap: Opening, x: Floats, y: Floats) -> Mask:
    """Whether points of the gap's plane, in gap axes, are in the opening."""
    w, h = gap.width_m / 2, gap.height_m / 2
    if gap.shape == "circle":
        return np.asarray((x / w) ** 2 + (y / h) ** 2 <= 1)
    box = (np.abs(x) <= w) & (np.abs(y) <= h)
    if gap.shape == "arch":
        box &= (y >= w - h) | (x**2 + (y - (w - h)) ** 2 <= w * w)
    return np.asarray(box)


def sketch(
    camera: Camera, frame: Rect, gap: Opening, run: Run, *, distance_m: float, subjects: tuple[Subject, ...] = (), width_px: int = 480
) -> NDArray[np.uint8]:
    """The frame as recorded at a distance before the gap: (h, w, 3), de-squeezed, 8 bit."""
    per_mm = camera.pixels_per_mm / (camera.lens.squeeze, 1.0)
    aspect = (frame.width / per_mm[0]) / (frame.height / per_mm[1])
    samples = _SAMPLES if width_px <= _FINE_PX else _SAMPLES_LARGE
    rows, columns = samples * max(1, round(width_px / aspect)), samples * width_px
    x = frame.left + frame.width * (np.arange(columns) + 0.5) / columns
    y = frame.top + frame.height * (np.arange(rows) + 0.5) / rows
    rays, ok = camera.unproject(np.stack(np.meshgrid(x, y), axis=-1))
    colour = _look(gap, run.camera_m(distance_m), rays @ run.opening_from_camera.T, subjects)
    colour[~ok] = OFF
    small = colour.reshape(rows // samples, samples, width_px, samples, 3).mean(axis=(1, 3))
    out: NDArray[np.uint8] = np.clip(small + 0.5, 0, 255).astype(np.uint8)
    return out


def sees_through(camera: Camera, gap: Opening, run: Run, pixels: Floats, *, distance_m: float) -> Mask:
    """Whether the rays of pixels (..., 2) pass through the opening's near face."""
    rays, ok = camera.unproject(pixels)
    at, ray = run.camera_m(distance_m), rays @ run.opening_from_camera.T
    with np.errstate(all="ignore"):
        along = -at[2] / ray[..., 2]
        hit = at + ray * along[..., None]
    return np.asarray(ok & (along > 0) & inside_opening(gap, hit[..., 0], hit[..., 1]))


def _look(gap: Opening, at: Floats, rays: Floats, subjects: tuple[Subject, ...]) -> Floats:
    with np.errstate(all="ignore"):
        up = -rays[..., 1] / np.linalg.norm(rays, axis=-1)
        share = np.clip(up * 2.5, 0, 1)[..., None]
        out: Floats = SKY_LOW + (SKY_HIGH - SKY_LOW) * share
        nearest = np.full(rays.shape[:-1], np.inf)

        ground = (gap.ground_y_m - at[1]) / rays[..., 1]
        _paint(out, nearest, ground, ground > 0, _lines(at, rays, ground, (0, 2), 1.0, GROUND, GROUND_LINE, (0.0, 0.0)))
        for subject in subjects:
            _figure(out, nearest, gap, at, rays, subject)

        face = -at[2] / rays[..., 2]
        x, y = at[0] + face * rays[..., 0], at[1] + face * rays[..., 1]
        solid = (face > 0) & ~inside_opening(gap, x, y) & (y < gap.ground_y_m)
        courses = _lines(at, rays, face, (0, 1), _COURSE_M, WALL, WALL_LINE, (gap.width_m / 2, gap.height_m / 2))
        back = (gap.thickness_m - at[2]) / rays[..., 2]
        bx, by = at[0] + back * rays[..., 0], at[1] + back * rays[..., 1]
        jamb = (face > 0) & inside_opening(gap, x, y) & ~inside_opening(gap, bx, by)
        _paint(out, nearest, face, jamb, np.broadcast_to(JAMB, out.shape))
        _paint(out, nearest, face, solid, courses)
    return out


def _paint(out: Floats, nearest: Floats, along: Floats, where: Mask, colour: Floats) -> None:
    seen = where & (along < nearest)
    out[seen] = colour[seen]
    nearest[seen] = along[seen]


def _lines(at: Floats, rays: Floats, along: Floats, axes: tuple[int, int], step: float, plain: Floats, line: Floats, start: tuple[float, float]) -> Floats:
    """A surface with lines every ``step`` metres along two axes, fading where they would crowd."""
    share = np.zeros(along.shape)
    for axis, first in zip(axes, start, strict=True):
        place = (at[axis] + along * rays[..., axis] - first) / step
        off = np.abs(place - np.round(place))
        share = np.maximum(share, off < 0.02)
    fade = np.clip(1.6 - along / (60 * step), 0.0, 1.0)
    out: Floats = plain + (line - plain) * np.nan_to_num(share * fade)[..., None]
    return out


def _figure(out: Floats, nearest: Floats, gap: Opening, at: Floats, rays: Floats, subject: Subject) -> None:
    """A standing figure, flat and square to the wall: head, body, legs."""
    along = (subject.beyond_m - at[2]) / rays[..., 2]
    tall = subject.height_m
    x = (at[0] + along * rays[..., 0] - subject.right_m) / tall
    y = (gap.ground_y_m - subject.stands_m - at[1] - along * rays[..., 1]) / tall  # 0 feet, 1 head
    head = (x / 0.045) ** 2 + ((y - 0.935) / 0.065) ** 2 <= 1
    body = (np.abs(x) <= 0.125 - 0.055 * np.clip((0.82 - y) / 0.35, 0, 1)) & (y > 0.47) & (y < 0.84)
    neck = (np.abs(x) <= 0.025) & (y >= 0.83) & (y < 0.9)
    legs = (np.abs(np.abs(x) - 0.045) <= 0.034) & (y >= 0) & (y <= 0.48)
    _paint(out, nearest, along, (along > 0) & (head | body | neck | legs), np.broadcast_to(FIGURE, out.shape))
