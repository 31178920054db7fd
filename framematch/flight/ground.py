"""The run seen from above: where the aircraft could come down, and who stands there or in shot.

Plan coordinates are metres: right, ahead; heights are above the ground. In scene axes (+X, +Y up,
-Z ahead) a plan point (right, ahead, height) is (right, height, -ahead).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.flight.fall import FallPoint, fall_time_s
from framematch.geometry.mount import rotation_from_aim
from framematch.geometry.pairing import Pairing

Floats = NDArray[np.float64]
_SHOULDERS_M = 0.5  # how wide a standing person is taken to be (practice)


@dataclass(frozen=True, kw_only=True, eq=False)
class FallAreas:
    """Where it could come down, in plan: rings (n, 2) in metres, a ring inside another is a hole.

    ``straight``: thrown on along the run. ``round``: the same distance to every side, for an aircraft
    that turns as it falls. Both are widened by the aircraft's half size, the margin and the drift of
    the wind. ``farthest_m``: longest way of all, without the widening.
    """

    straight: tuple[Floats, ...]
    round: tuple[Floats, ...]
    farthest_m: float
    widened_m: float


def fall_areas(points: Sequence[FallPoint], *, size_m: float = 0.0, margin_m: float = 0.0, wind_m_s: float = 0.0, up_m_s: float = 0.0) -> FallAreas:
    """Both areas over every point of a run.

    Args:
        size_m: of the aircraft, tip to tip.
        wind_m_s: size of the wind; it carries for the whole of the fall, to any side.
        up_m_s: fastest climb on the run, for the time of that fall.
    """
    straight, around = _shapes(points, size_m=size_m, margin_m=margin_m, wind_m_s=wind_m_s, up_m_s=up_m_s)
    wide = size_m / 2 + margin_m + _drift(points, wind_m_s, up_m_s)
    return FallAreas(straight=_rings(straight), round=_rings(around), farthest_m=max(p.distance_m for p in points), widened_m=wide)


def _drift(points: Sequence[FallPoint], wind_m_s: float, up_m_s: float) -> float:
    return abs(wind_m_s) * max(float(fall_time_s(height_m=p.height_m, up_m_s=up_m_s)) for p in points)


def _shapes(points: Sequence[FallPoint], *, size_m: float, margin_m: float, wind_m_s: float, up_m_s: float) -> tuple[Any, Any]:
    import shapely

    wide = size_m / 2 + margin_m + _drift(points, wind_m_s, up_m_s)
    lines = shapely.linestrings([[p.at_m, p.lands_m] for p in points])
    # A circle of 32 chords a quarter lies inside the true one by 0.03 %; grown so that it never does.
    grow = 1 / math.cos(math.pi / 128)
    straight = shapely.union_all(shapely.buffer(lines, max(wide, 1e-3) * grow, quad_segs=32))
    spots = shapely.points([p.at_m for p in points])
    around = shapely.union_all(shapely.buffer(spots, [(p.distance_m + max(wide, 1e-3)) * grow for p in points], quad_segs=32))
    return straight, around.union(straight)


def _rings(shape: Any) -> tuple[Floats, ...]:
    import shapely

    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon"]
    return tuple(np.asarray(ring.coords) for part in parts for ring in (part.exterior, *part.interiors))


def cut_through(vertices: Floats, faces: NDArray[np.int64], *, height_m: float, shortest_m: float = 0.03) -> tuple[Floats, ...]:
    """Lines (n, 2) in plan where a level plane cuts a surface.

    Args:
        vertices: (N, 3) in scene axes (+Y up, the run along -Z); faces: (M, 3) indices.
        height_m: of the plane.
        shortest_m: what bends or measures less is left out.
    """
    import shapely

    corners = vertices[faces]
    above = corners[..., 1] > height_m
    mixed = above.any(axis=1) & ~above.all(axis=1)
    corners, above = corners[mixed], above[mixed]
    if not len(corners):
        return ()
    # The corner that is alone on its side; both edges from it cross the plane.
    alone = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), (~above).argmax(axis=1))
    at = np.arange(len(corners))
    start = corners[at, alone]
    ends = []
    for step in (1, 2):
        end = corners[at, (alone + step) % 3]
        share = (height_m - start[:, 1]) / (end[:, 1] - start[:, 1])
        crossing = start + share[:, None] * (end - start)
        ends.append(np.stack([crossing[:, 0], -crossing[:, 2]], axis=1))
    lines = shapely.line_merge(shapely.multilinestrings(shapely.linestrings(np.stack(ends, axis=1).round(4))))
    parts = shapely.get_parts(shapely.simplify(lines, shortest_m / 2))
    return tuple(np.asarray(part.coords) for part in parts if part.length >= shortest_m)


def inside(rings: Sequence[Floats], at_m: tuple[float, float], *, radius_m: float = 0.0) -> bool:
    """Whether a round spot in plan touches an area given as rings (even-odd)."""
    import shapely

    spot = shapely.Point(at_m)
    area = shapely.Polygon()
    for ring in rings:
        area = area.symmetric_difference(shapely.make_valid(shapely.Polygon(ring)))
    return bool(area.distance(spot) <= radius_m)


@dataclass(frozen=True, kw_only=True)
class InShot:
    """Where along the run a person is seen: (from, to) in metres flown, None if never.

    ``recorded``: in the recorded frame as it really lies. ``ever``: on the display inside the ever
    area, so not kept out for certain. Walls that hide a person are not known here.
    """

    recorded_m: tuple[float, float] | None
    ever_m: tuple[float, float] | None


def in_shot(
    pairing: Pairing,
    ever: Sequence[Floats],
    *,
    points_m: Floats,
    at_m: tuple[float, float],
    height_m: float,
    camera_elevation_deg: float,
    step_m: float = 0.25,
) -> InShot:
    """Where along a run any part of a standing person is in shot.

    Args:
        ever: rings of the ever area on the display.
        points_m: (n, 3) right, ahead, height of the recording camera along the run.
        camera_elevation_deg: how far up the recording camera looks, flying.
    """
    import shapely

    area = shapely.Polygon()
    for ring in ever:
        area = area.symmetric_difference(shapely.make_valid(shapely.Polygon(ring)))
    shapely.prepare(area)
    flown, recorded, maybe = [], [], []
    done = 0.0
    for start, end in pairwise(points_m):
        leg = end - start
        length = float(np.linalg.norm(leg))
        shares = np.linspace(0, 1, max(2, math.ceil(length / step_m) + 1))
        heading = math.atan2(leg[0], leg[1])
        cameras = start + shares[:, None] * leg
        body = _body(cameras, at_m, height_m)
        rays = _in_camera(body - cameras[:, None, :], heading, camera_elevation_deg)
        pixels, ok = pairing.recording.project(rays)
        seen = ok & (rays[..., 2] > 0)
        recorded.append((seen & pairing.frame.contains(pixels)).any(axis=1))
        onto, shown = _on_display(pairing, rays)
        maybe.append((shown & shapely.intersects_xy(area, onto[..., 0], onto[..., 1])).any(axis=1))
        flown.append(done + shares * length)
        done += length
    where, rec, may = np.concatenate(flown), np.concatenate(recorded), np.concatenate(maybe)
    return InShot(recorded_m=_span(where, rec), ever_m=_span(where, may))


def _on_display(pairing: Pairing, rays: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    seen = (rays - pairing.mount.translation_m) @ pairing.mount.recording_from_monitoring
    pixels, ok = pairing.monitoring.project(seen)
    shown = pairing.display.from_source(pixels)
    return np.where(ok[..., None], shown, -1e9), ok & pairing.display.shown.contains(shown)


def _body(cameras: Floats, at_m: tuple[float, float], height_m: float) -> Floats:
    """Points (cameras, 7 x 41, 3) over a person as seen from each camera: shoulders wide, feet to head."""
    toward = np.asarray(at_m) - cameras[:, :2]
    away = np.linalg.norm(toward, axis=1, keepdims=True)
    across = np.stack([toward[:, 1], -toward[:, 0]], axis=1) / np.maximum(away, 1e-9)
    sideways = np.repeat(np.linspace(-0.5, 0.5, 7), 41) * _SHOULDERS_M
    heights = np.tile(np.linspace(0, height_m, 41), 7)
    plan = np.asarray(at_m) + across[:, None, :] * sideways[None, :, None]
    return np.concatenate([plan, np.broadcast_to(heights[None, :, None], (*plan.shape[:2], 1))], axis=2)


def _in_camera(offsets: Floats, heading_rad: float, elevation_deg: float) -> Floats:
    """Plan offsets (..., 3) right, ahead, up into camera axes of a camera that heads and looks up so."""
    level = np.stack([offsets[..., 0], -offsets[..., 2], offsets[..., 1]], axis=-1)  # +x right, +y down, +z ahead
    aim = rotation_from_aim(pan_deg=math.degrees(heading_rad), tilt_deg=elevation_deg)
    out: Floats = level @ aim
    return out


def _span(where: Floats, seen: NDArray[np.bool_]) -> tuple[float, float] | None:
    return (float(where[seen].min()), float(where[seen].max())) if seen.any() else None
