"""What one lens shows of a gap along a run: fill, edges in and out of frame, image speeds, subject heights."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.geometry.camera import Camera, Rect
from framematch.geometry.lens_local import camera_jacobian
from framematch.optics.motion import image_velocity_px_s, in_frame_widths
from framematch.shot.opening import SIDES, Opening
from framematch.shot.run import Run
from framematch.shot.values import Subject

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

NEAREST_M = 0.005  # edges are followed down to here; nearer counts as still in frame while passing
_PER_EDGE = 16
_BLOCK = 6400  # points of outlines worked on at once
_COARSE, _FINE = 33, 257  # points along an edge
_LOWER_MIDDLE = 40  # of 65 points along the frame's border


def cone_rad(camera: Camera, frame: Rect) -> float:
    """An angle off the axis outside the frame all round but inside the lens's domain."""
    return _cone_rad(camera, *camera.unproject(frame.border(np.linspace(0, 4, 65))))


def _cone_rad(camera: Camera, border_rays: Floats, ok: Mask) -> float:
    end = camera.lens.end_rad * (1 - 1e-9)
    if not ok.all():
        return end
    widest = float(np.arctan2(np.hypot(border_rays[:, 0], border_rays[:, 1]), border_rays[:, 2]).max())
    return (widest + end) / 2


def project_held(camera: Camera, points: Floats, cone: float) -> Floats:
    """Pixels (..., 2) of points (..., 3), those outside a cone about the axis pulled in to its rim.

    A closed outline so projected has the same inside as the true one, wherever the cone reaches: the
    pull is a retraction along the great circles through the axis. So an opening can be clipped by
    the frame even where parts of its outline are abeam or behind.
    """
    held = np.array(points)
    x, y, z = held[..., 0], held[..., 1], held[..., 2]
    rho = np.sqrt(x * x + y * y)
    behind = (rho == 0) & (z <= 0)
    np.maximum(z, rho / math.tan(cone), out=z)
    if behind.any():
        held[behind] = (math.sin(cone), 0.0, math.cos(cone))
    return camera.project(held)[0]


def area_in(polygons_px: Floats, frame: Rect) -> Floats:
    """Area (...) of closed polygons (..., n, 2) inside a rectangle, exactly, in square pixels.

    Row by row, what lies inside is the signed sum over the polygon's edges of their x clamped to
    the rectangle; for straight edges that sum over all rows is a closed form.
    """
    closed = np.concatenate([polygons_px, polygons_px[..., :1, :]], axis=-2)
    x, y = closed[..., 0] - frame.left, np.ascontiguousarray(closed[..., 1])
    rows = np.minimum(np.maximum(y, frame.top), frame.bottom)
    x0, y0, start, stop = x[..., :-1], y[..., :-1], rows[..., :-1], rows[..., 1:]
    with np.errstate(all="ignore"):
        slope = np.diff(x, axis=-1) / np.diff(y, axis=-1)
        a, b = x0 + (start - y0) * slope, x0 + (stop - y0) * slope
        a_in, b_in = (np.minimum(np.maximum(end, 0.0), frame.width) for end in (a, b))
        step = b - a
        mean = np.where(np.abs(step) < 1e-3, (a_in + b_in) / 2, (b_in * (b - b_in / 2) - a_in * (a - a_in / 2)) / step)
        out: Floats = np.abs(np.where(stop == start, 0.0, mean * (stop - start)).sum(axis=-1))
    return out


def chords_in(points_px: Floats, frame: Rect) -> Mask:
    """Which chords (..., n - 1) between successive points (..., n, 2) touch a rectangle (Liang and Barsky's test)."""
    shape = points_px.shape[:-2] + (points_px.shape[-2] - 1,)
    enter, leave = np.zeros(shape), np.ones(shape)
    with np.errstate(all="ignore"):
        for axis, low, high in ((0, frame.left, frame.right), (1, frame.top, frame.bottom)):
            places = np.ascontiguousarray(points_px[..., axis])
            start = places[..., :-1]
            per_step = 1 / np.diff(places, axis=-1)
            a, b = (low - start) * per_step, (high - start) * per_step  # NaN on a side's own line: taken as touching
            enter, leave = np.fmax(enter, np.fmin(a, b)), np.fmin(leave, np.fmax(a, b))
    return np.asarray(enter <= leave)


@dataclass(frozen=True, kw_only=True)
class Curves:
    """What changes along the run; D distances, S subjects, edges in the order of ``SIDES``.

    Args:
        distance_m: before the gap (D,).
        fill_percent: of the frame's area that is opening (D,).
        width_percent, height_percent: of the opening at its middle, of the frame's width and height;
            above 100 where it is larger than the frame, NaN where the lens can't image it (D,).
        edge_in_frame, edge_whole: whether any of an edge, and all of it, is in the frame (D, 4).
        edge_speed: of the middle of each edge, frame widths per second, NaN off the frame (D, 4).
        ground_speed: where the middle of the frame's lower edge meets the ground (D,), NaN where it does not.
        subject_percent: height in the frame, of the frame's height (D, S), NaN once passed.
        subject_speed: of a subject's middle (D, S), frame widths per second, NaN off the frame.
        subject_depth_m: of its middle along the camera's axis (D, S).
    """

    distance_m: Floats
    fill_percent: Floats
    width_percent: Floats
    height_percent: Floats
    edge_in_frame: Mask
    edge_whole: Mask
    edge_speed: Floats
    ground_speed: Floats
    subject_percent: Floats
    subject_speed: Floats
    subject_depth_m: Floats


def curves(
    camera: Camera, frame: Rect, gap: Opening, run: Run, *, distance_m: ArrayLike, subjects: tuple[Subject, ...] = (), per_edge: int = _PER_EDGE
) -> Curves:
    """One lens along the run.

    Args:
        camera: the recording camera with this lens, at its focus.
        frame: what is shown, in its pixels.
        distance_m: (D,) before the gap, above 0 for the gap's own figures.
        per_edge: chords that an edge of the opening is drawn with.
    """
    distance = np.atleast_1d(np.asarray(distance_m, dtype=np.float64))
    border, ok = camera.unproject(frame.border(np.linspace(0, 4, 65)))
    cone = _cone_rad(camera, border, ok)
    outline = gap.outline(per_edge)
    # In parts that stay in the processor's cache, and small enough for memory to be used again.
    block = max(1, _BLOCK // len(outline))
    parts = [_of_outline(camera, frame, run.seen_from(outline, distance[i : i + block]), cone) for i in range(0, len(distance), block)]
    fill, there, whole = (np.concatenate(each) for each in zip(*parts, strict=True))
    middles = run.seen_from(outline[per_edge // 2 :: per_edge], distance)
    middle_px, edge_speed = _speeds(camera, frame, run, middles)
    span = np.abs(middle_px[:, [2, 3]] - middle_px[:, [0, 1]])

    count = len(subjects)
    who = np.stack([s.points_m(gap) for s in subjects]) if count else np.empty((0, 3, 3))
    standing = run.seen_from(who.reshape(-1, 3), distance).reshape(len(distance), count, 3, 3)
    feet_head, _ = camera.project(standing[:, :, ::2])
    _, subject_speed = _speeds(camera, frame, run, standing[:, :, 1])
    tall = in_frame_widths(camera, frame, feet_head[:, :, 1] - feet_head[:, :, 0]) / in_frame_widths(camera, frame, (0.0, frame.height))
    passed = standing[:, :, 1, 2] <= 0

    return Curves(
        distance_m=distance,
        fill_percent=fill,
        width_percent=100 * span[:, 0, 0] / frame.width,
        height_percent=100 * span[:, 1, 1] / frame.height,
        edge_in_frame=there,
        edge_whole=whole,
        edge_speed=edge_speed,
        ground_speed=_ground_speed(camera, frame, gap, run, distance, border[_LOWER_MIDDLE]),
        subject_percent=np.where(passed, np.nan, 100 * tall),
        subject_speed=np.where(passed, np.nan, subject_speed),
        subject_depth_m=standing[:, :, 1, 2],
    )


def _of_outline(camera: Camera, frame: Rect, seen: Floats, cone: float) -> tuple[Floats, Mask, Mask]:
    """Fill in percent (D,), and whether any of each edge and all of it is in the frame (D, 4), of outlines (D, 4 n, 3)."""
    per_edge = seen.shape[1] // 4
    px = project_held(camera, seen, cone)
    hits = chords_in(np.concatenate([px, px[:, :1]], axis=1), frame).reshape(-1, 4, per_edge)
    points_in = frame.contains(px)
    ends_in = np.concatenate([points_in, points_in[:, :1]], axis=1)
    whole = np.stack([ends_in[:, i * per_edge : (i + 1) * per_edge + 1].all(axis=1) for i in range(4)], axis=1)
    return 100 * area_in(px, frame) / (frame.width * frame.height), np.asarray(hits.any(axis=2)), whole


def _speeds(camera: Camera, frame: Rect, run: Run, points: Floats) -> tuple[Floats, Floats]:
    px, _ = camera.project(points)
    velocity = image_velocity_px_s(camera, points, velocity_m_s=run.velocity_m_s)
    return px, np.where(frame.contains(px), in_frame_widths(camera, frame, velocity), np.nan)


def _ground_speed(camera: Camera, frame: Rect, gap: Opening, run: Run, distance: Floats, ray: Floats) -> Floats:
    falls = float((run.opening_from_camera @ ray)[1])
    above = gap.ground_y_m - run.camera_m(distance)[:, 1]
    if not falls > 0:  # level, upwards, or NaN where the lens shows nothing there
        return np.full(len(distance), np.nan)
    # The projection does not change with the ray's length, so its derivative falls as one over it.
    jacobian, _ = camera_jacobian(camera, ray)
    at_1_m = float(in_frame_widths(camera, frame, jacobian @ -run.velocity_m_s))
    out: Floats = np.where(above > 0, at_1_m * falls / np.where(above > 0, above, 1.0), np.nan)
    return out


@dataclass(frozen=True, kw_only=True)
class Exit:
    """When an edge of the gap leaves the frame on the way in.

    Args:
        leaves_m: distance before the gap at which the last of it leaves; 0 if it stays to the gap's
            plane, None if it is never in the frame.
        whole_until_m: nearest distance at which all of it is in the frame; None if it never is.
        leaves_s: time from then to the gap's plane.
    """

    side: str
    leaves_m: float | None
    whole_until_m: float | None
    leaves_s: float | None


def exits(camera: Camera, frame: Rect, gap: Opening, run: Run, *, far_m: float, depth_m: float = 0.0) -> tuple[Exit, ...]:
    """When each edge leaves, coming from ``far_m`` before the gap; edges in the order of ``SIDES``.

    Args:
        depth_m: 0 for the near face, the wall's thickness for the far one.
    """
    cone = cone_rad(camera, frame)
    coarse = np.geomspace(far_m, NEAREST_M, 256)

    def state(distance: Floats, count: int) -> Mask:
        """(..., 4, 2) for distances (..., 4, 2) or (..., 4, 1): any of each edge, and all of it, in the frame."""
        at = run.camera_m(distance)
        face = at - (0.0, 0.0, depth_m)
        points = [gap.along_edge(side, gap.seen_shares(side, face[..., i, :, :], count), depth_m=depth_m) for i, side in enumerate(SIDES)]
        away = np.stack(points, axis=-4) - at[..., None, :]
        px = project_held(camera, away @ run.opening_from_camera, cone)
        return np.stack([chords_in(px[..., 0, :, :], frame).any(axis=-1), frame.contains(px[..., -1, :, :]).all(axis=-1)], axis=-1)

    there = state(np.broadcast_to(coarse[:, None, None], (len(coarse), 4, 1)), _COARSE)
    while True:
        last = len(coarse) - 1 - there[::-1].argmax(axis=0)  # the nearest grid distance where it holds
        # Finer chords bend closer to the edge: look again from two steps farther to two steps nearer.
        around = np.clip(last + np.arange(-2, 3)[:, None, None], 0, len(coarse) - 1)
        holds = state(coarse[around], _FINE)
        wrong = there.any(axis=0) & ~holds.any(axis=0)
        if not wrong.any():
            break
        edge, kind = np.nonzero(wrong)
        there[last[edge, kind], edge, kind] = False
    nearest = 4 - holds[::-1].argmax(axis=0)
    ever = np.asarray(there.any(axis=0))
    stays = np.asarray(there[-1] & holds[-1])
    high = coarse[np.take_along_axis(around, nearest[None], axis=0)[0]]
    low = coarse[np.take_along_axis(around, np.minimum(nearest + 1, 4)[None], axis=0)[0]]
    for _ in range(30):
        middle = (low + high) / 2
        holds = state(middle, _FINE)
        low, high = np.where(holds, low, middle), np.where(holds, middle, high)
        if ((high - low) < 1e-7 * high).all():
            break

    def found(edge: int, kind: int) -> float | None:
        if not ever[edge, kind]:
            return None
        return 0.0 if stays[edge, kind] else float(high[edge, kind])

    out = []
    for i, side in enumerate(SIDES):
        leaves = found(i, 0)
        out.append(Exit(side=side, leaves_m=leaves, whole_until_m=found(i, 1), leaves_s=None if leaves is None else leaves / run.speed_m_s))
    return tuple(out)


def out_of_frame_m(curve: Curves) -> tuple[tuple[float, float], ...]:
    """Stretches of the run (farthest, nearest distance) with no part of the opening in the frame."""
    gone = (curve.fill_percent <= 0) & ~curve.edge_in_frame.any(axis=1)
    order = np.argsort(-curve.distance_m)
    changes = np.diff(np.concatenate([[0], gone[order].astype(int), [0]]))
    starts, stops = np.flatnonzero(changes == 1), np.flatnonzero(changes == -1) - 1
    far_to_near = curve.distance_m[order]
    return tuple((float(far_to_near[a]), float(far_to_near[b])) for a, b in zip(starts, stops, strict=True))
