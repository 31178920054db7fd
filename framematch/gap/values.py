"""What the question is about: the opening, the run through it, the aircraft, the subjects, the lenses.

**Gap axes**, metres: the origin is the middle of the opening's width and height on the face that the
run comes from; +x right, +y down, +z through the opening. A run is straight. A distance before the
gap is counted along the run from the recording camera's entrance pupil to the plane of that face.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.camera import Camera, Rect
from framematch.errors import InputError
from framematch.lens import Lens
from framematch.motion import shutter_s
from framematch.mount import rotation_from_aim

Floats = NDArray[np.float64]
SHAPES = ("rectangle", "arch", "circle")
SIDES = ("left", "top", "right", "bottom")


@dataclass(frozen=True, kw_only=True)
class Gap:
    """An opening to fly through.

    Args:
        width_m, height_m: of the opening, at its widest and highest.
        shape: ``rectangle``; ``arch``, straight sides under a half circle; ``circle``, round (or an
            ellipse where width and height differ).
        thickness_m: of the wall around it.
        sill_m: from the ground to the opening's lowest point.
    """

    width_m: float
    height_m: float
    shape: str = "rectangle"
    thickness_m: float = 0.0
    sill_m: float = 1.0

    def __post_init__(self) -> None:
        _lengths(self, "width_m", "height_m")
        _at_least_0(self, "thickness_m", "sill_m")
        if self.shape not in SHAPES:
            raise InputError(f"{self.shape!r} is no shape of a gap", field="shape", fix=f"use one of {', '.join(SHAPES)}")
        if self.shape == "arch" and self.height_m < self.width_m / 2:
            raise InputError(
                f"an arch {self.width_m:g} m wide needs {self.width_m / 2:g} m of height for its half circle", field="height_m", fix="make it higher"
            )

    @property
    def ground_y_m(self) -> float:
        """y of the ground in gap axes."""
        return self.height_m / 2 + self.sill_m

    def edge(self, side: str, points: int, *, depth_m: float = 0.0) -> Floats:
        """Points (n, 3) along one edge, clockwise seen from the run, in gap axes.

        A circle's edges are its quarters, an arch's top edge is its half circle.
        """
        return self.along_edge(side, np.linspace(0.0, 1.0, points), depth_m=depth_m)

    def along_edge(self, side: str, shares: Floats, *, depth_m: float = 0.0) -> Floats:
        """Points (..., 3) at shares (...) of an edge, 0 where it starts and 1 where it ends."""
        w = self.width_m / 2
        arc = self._arc(side)
        if arc is not None:
            first, sweep, middle_y, rise = arc
            x, y = w * np.cos(first + sweep * shares), middle_y + rise * np.sin(first + sweep * shares)
        else:
            x0, y0, x1, y1 = self._ends(side)
            x, y = x0 + shares * (x1 - x0), y0 + shares * (y1 - y0)
        return np.stack([x, y, np.full_like(x, depth_m)], axis=-1)

    def seen_shares(self, side: str, points_m: Floats, count: int) -> Floats:
        """Shares (..., count) of an edge from end to end, even by the angle under which points (..., 3) see it.

        Exact for a straight edge. Even steps along an edge would see little of one that passes close by.
        """
        x, y, z = points_m[..., 0], points_m[..., 1], points_m[..., 2]
        arc = self._arc(side)
        if arc is not None:
            first, sweep, middle_y, rise = arc
            turned = np.arctan2((y - middle_y) / rise, x / (self.width_m / 2)) - first
            turned = (turned + math.pi - sweep / 2) % (2 * math.pi) - math.pi + sweep / 2
            nearest, length = np.clip(turned / sweep, 0.0, 1.0), sweep * max(self.width_m / 2, rise)
        else:
            x0, y0, x1, y1 = self._ends(side)
            length = math.hypot(x1 - x0, y1 - y0)
            nearest = ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / max(length**2, 1e-18)  # also beyond its ends
        foot = self.along_edge(side, nearest)
        away = np.sqrt((x - foot[..., 0]) ** 2 + (y - foot[..., 1]) ** 2 + z * z) / max(length, 1e-9) + 1e-9
        low, high = np.arctan(-nearest / away), np.arctan((1 - nearest) / away)
        shares = nearest[..., None] + away[..., None] * np.tan(low[..., None] + (high - low)[..., None] * np.linspace(0.0, 1.0, count))
        out: Floats = np.clip(shares, 0.0, 1.0)
        return out

    def _arc(self, side: str) -> tuple[float, float, float, float] | None:
        """First angle, sweep, y of the middle and half height of a curved edge."""
        w, h = self.width_m / 2, self.height_m / 2
        if self.shape == "circle":
            return {"top": -0.75, "right": -0.25, "bottom": 0.25, "left": 0.75}[side] * math.pi, math.pi / 2, 0.0, h
        return (-math.pi, math.pi, w - h, w) if self.shape == "arch" and side == "top" else None

    def _ends(self, side: str) -> tuple[float, float, float, float]:
        w, h = self.width_m / 2, self.height_m / 2
        high = w - h if self.shape == "arch" else -h
        return {"top": (-w, -h, w, -h), "right": (w, high, w, h), "bottom": (w, h, -w, h), "left": (-w, h, -w, high)}[side]

    def outline(self, points_per_edge: int, *, depth_m: float = 0.0) -> Floats:
        """The closed outline (4 n, 3): left, top, right, bottom edge, each without its last point."""
        return np.concatenate([self.edge(side, points_per_edge + 1, depth_m=depth_m)[:-1] for side in SIDES])


@dataclass(frozen=True, kw_only=True)
class Run:
    """A straight flight through the gap and how it is filmed.

    Args:
        speed_m_s: along the run.
        right_m, up_m: where the recording camera crosses the gap's plane, from the opening's middle.
        heading_deg: of the flight from straight through, + to the right.
        climb_deg: of the flight, + up.
        pan_deg: where the recording camera looks from the heading, + to the right.
        tilt_deg: of the recording camera above the horizon, in flight.
        bank_deg: of the recording camera, + clockwise seen from behind.
        distances_m: before the gap, at which the table is filled in.
        shutter_deg, rate_fps: exposure.
        readout_ms: from the first row to the last, None if not known.
    """

    speed_m_s: float = 8.0
    right_m: float = 0.0
    up_m: float = 0.0
    heading_deg: float = 0.0
    climb_deg: float = 0.0
    pan_deg: float = 0.0
    tilt_deg: float = 0.0
    bank_deg: float = 0.0
    distances_m: tuple[float, ...] = (10.0, 5.0, 2.0)
    shutter_deg: float = 180.0
    rate_fps: float = 24.0
    readout_ms: float | None = None

    def __post_init__(self) -> None:
        _lengths(self, "speed_m_s")
        _finite(self, "right_m", "up_m", "pan_deg", "bank_deg")
        for name, limit in (("heading_deg", 85), ("climb_deg", 85), ("tilt_deg", 90)):
            if not abs(getattr(self, name)) <= limit:
                raise InputError(f"{getattr(self, name)} is out of range", field=name, fix=f"give -{limit} to {limit}")
        if not self.distances_m or not all(0 < d < math.inf for d in self.distances_m):
            raise InputError(f"{list(self.distances_m)} are no distances before the gap", field="distances_m", fix="give metres above 0")
        if self.readout_ms is not None and not 0 <= self.readout_ms < 1000:
            raise InputError(f"{self.readout_ms} ms is no readout time", field="readout_ms", fix="give 0 to 1000")
        _ = self.shutter_s

    @property
    def shutter_s(self) -> float:
        """Exposure time."""
        return shutter_s(shutter_deg=self.shutter_deg, rate_fps=self.rate_fps)

    @property
    def direction(self) -> Floats:
        """Unit vector (3,) of the flight in gap axes."""
        return _turned(self.heading_deg, self.climb_deg, 0.0)[:, 2]

    @property
    def gap_from_camera(self) -> Floats:
        """Rotation (3, 3) of the recording camera's axes into gap axes."""
        return _turned(self.heading_deg + self.pan_deg, self.tilt_deg, self.bank_deg)

    def camera_m(self, distance_m: ArrayLike) -> Floats:
        """Where the recording camera is (..., 3) in gap axes at distances (...) before the gap."""
        crossing = np.array([self.right_m, -self.up_m, 0.0])
        out: Floats = crossing - np.asarray(distance_m, dtype=np.float64)[..., None] * self.direction
        return out

    def seen_from(self, points_m: ArrayLike, distance_m: ArrayLike) -> Floats:
        """Points (n, 3) in gap axes as the camera has them: (..., n, 3) in camera axes for distances (...)."""
        away = np.asarray(points_m, dtype=np.float64) - self.camera_m(distance_m)[..., None, :]
        out: Floats = away @ self.gap_from_camera
        return out

    @property
    def velocity_m_s(self) -> Floats:
        """Of the camera (3,), in its own axes."""
        out: Floats = self.speed_m_s * (self.direction @ self.gap_from_camera)
        return out


@dataclass(frozen=True, kw_only=True)
class Subject:
    """Someone or something upright that the run passes.

    Args:
        height_m: from feet to head.
        beyond_m: past the gap's near face, - for before it, square to the wall.
        right_m: from the opening's middle.
        stands_m: of its feet above the ground.
    """

    name: str = "subject"
    height_m: float = 1.75
    beyond_m: float = 5.0
    right_m: float = 0.0
    stands_m: float = 0.0

    def __post_init__(self) -> None:
        _lengths(self, "height_m")
        _finite(self, "beyond_m", "right_m", "stands_m")

    def points_m(self, gap: Gap) -> Floats:
        """Feet, middle and head (3, 3) in gap axes."""
        feet = gap.ground_y_m - self.stands_m
        return np.array([[self.right_m, feet - share * self.height_m, self.beyond_m] for share in (0.0, 0.5, 1.0)])


@dataclass(frozen=True, kw_only=True)
class Prop:
    """The disc that a propeller sweeps, upright in the airframe.

    Args:
        right_mm, up_mm, forward_mm: of its hub from the recording camera's entrance pupil, along the
            airframe's own axes.
        radius_mm: of the disc.
        blade_mm: its thickness, blades and hub.
    """

    name: str = "prop"
    right_mm: float
    up_mm: float
    forward_mm: float
    radius_mm: float
    blade_mm: float = 12.0

    def __post_init__(self) -> None:
        _finite(self, "right_mm", "up_mm", "forward_mm")
        _lengths(self, "radius_mm", "blade_mm")
        if math.hypot(self.right_mm, self.forward_mm) <= self.radius_mm and abs(self.up_mm) <= self.blade_mm / 2:
            raise InputError(f"the recording camera is inside {self.name}", field=self.name, fix="check its position and radius")

    @property
    def points_mm(self) -> Floats:
        """Points (n, 3) whose convex hull it is, in airframe axes (+x right, +y down, +z forward)."""
        turn = np.linspace(0, 2 * np.pi, 256, endpoint=False)
        x, z = self.right_mm + self.radius_mm * np.cos(turn), self.forward_mm + self.radius_mm * np.sin(turn)
        y = np.full_like(turn, -self.up_mm)
        half = self.blade_mm / 2
        return np.concatenate([np.stack([x, y - half, z], axis=-1), np.stack([x, y + half, z], axis=-1)])


@dataclass(frozen=True, kw_only=True)
class Part:
    """A box of the airframe (an arm, an aerial, a landing leg), square to it, placed like a :class:`Prop`."""

    name: str = "part"
    right_mm: float
    up_mm: float
    forward_mm: float
    size_mm: tuple[float, float, float]

    def __post_init__(self) -> None:
        _finite(self, "right_mm", "up_mm", "forward_mm")
        if not all(0 < s < math.inf for s in self.size_mm):
            raise InputError(f"{list(self.size_mm)} is no size", field="size_mm", fix="give width, height and length above 0")
        if all(abs(c) <= s / 2 for c, s in zip((self.right_mm, self.up_mm, self.forward_mm), self.size_mm, strict=True)):
            raise InputError(f"the recording camera is inside {self.name}", field=self.name, fix="check its position and size")

    @property
    def points_mm(self) -> Floats:
        """Its corners (8, 3) in airframe axes."""
        half = np.array(self.size_mm) / 2
        signs = np.array([[a, b, c] for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)])
        out: Floats = np.array([self.right_mm, -self.up_mm, self.forward_mm]) + signs * half
        return out


@dataclass(frozen=True, kw_only=True)
class Aircraft:
    """The airframe around the recording camera.

    Args:
        width_m, height_m, length_m: of the box that it fits in, props and all.
        right_m, up_m, forward_m: of the recording camera's entrance pupil from the middle of that box.
        camera_tilt_deg: of the recording camera against the airframe, + up.
        uncertainty_cm: how far off the flown path may be at the gap, half-width of the 95 % interval.
        props, parts: what could come into the picture.
    """

    width_m: float
    height_m: float
    length_m: float
    right_m: float = 0.0
    up_m: float = 0.0
    forward_m: float = 0.0
    camera_tilt_deg: float = 0.0
    uncertainty_cm: float = 0.0
    props: tuple[Prop, ...] = ()
    parts: tuple[Part, ...] = ()

    def __post_init__(self) -> None:
        _lengths(self, "width_m", "height_m", "length_m")
        _at_least_0(self, "uncertainty_cm")
        _finite(self, "right_m", "up_m", "forward_m")
        if not abs(self.camera_tilt_deg) <= 90:
            raise InputError(f"{self.camera_tilt_deg} is out of range", field="camera_tilt_deg", fix="give -90 to 90")

    def gap_from_airframe(self, run: Run) -> Floats:
        """Rotation (3, 3) of the airframe's axes into gap axes: the camera's, less its tilt on the airframe."""
        out: Floats = run.gap_from_camera @ rotation_from_aim(tilt_deg=-self.camera_tilt_deg)
        return out

    @property
    def box_m(self) -> Floats:
        """Corners (8, 3) of the box in airframe axes, from the recording camera."""
        half = np.array([self.width_m, self.height_m, self.length_m]) / 2
        signs = np.array([[a, b, c] for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)])
        out: Floats = signs * half - np.array([self.right_m, -self.up_m, self.forward_m])
        return out


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """A lens that could be taken.

    Args:
        lens: at infinity; the table focuses it.
        closest_m: focus distance, None if not known.
        widest_f, deepest_f: stops that it has, None if not known.
    """

    name: str
    lens: Lens
    weight_g: float | None = None
    closest_m: float | None = None
    widest_f: float | None = None
    deepest_f: float | None = None
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        for name in ("weight_g", "closest_m", "widest_f", "deepest_f"):
            if getattr(self, name) is not None:
                _lengths(self, name)
        if self.widest_f is not None and self.deepest_f is not None and self.widest_f > self.deepest_f:
            raise InputError(f"f/{self.widest_f:g} is deeper than f/{self.deepest_f:g}", field="widest_f", fix="the widest stop has the smaller number")


@dataclass(frozen=True, kw_only=True)
class Second:
    """The second camera of a hidden cut, its lens still open."""

    camera: Camera
    frame: Rect
    shutter_s: float
    at_m: float


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Gap, run, aircraft, subjects, candidate lenses and second camera as values."""

    gap: Gap
    run: Run
    aircraft: Aircraft | None = None
    subjects: tuple[Subject, ...] = ()
    candidates: tuple[Candidate, ...] = ()
    second: Second | None = None


@lru_cache(maxsize=64)
def _turned(pan_deg: float, tilt_deg: float, roll_deg: float) -> Floats:
    out = rotation_from_aim(pan_deg=pan_deg, tilt_deg=tilt_deg, roll_deg=roll_deg)
    out.flags.writeable = False
    return out


def _lengths(value: object, *names: str) -> None:
    for name in names:
        figure = getattr(value, name)
        if not (math.isfinite(figure) and figure > 0):
            raise InputError(f"{figure} is not above 0", field=name, fix="give a number above 0")


def _at_least_0(value: object, *names: str) -> None:
    for name in names:
        figure = getattr(value, name)
        if not (math.isfinite(figure) and figure >= 0):
            raise InputError(f"{figure} is below 0 or no number", field=name, fix="give 0 or more")


def _finite(value: object, *names: str) -> None:
    for name in names:
        if not math.isfinite(getattr(value, name)):
            raise InputError(f"{getattr(value, name)} is not a number", field=name, fix="give a finite number")
