"""The opening to fly through.

**Opening axes**, metres: the origin is the middle of the opening's width and height on the face that the
run comes from; +x right, +y down, +z through the opening. They stand upright in the scene.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.pose import Pose
from framematch.shot.checks import above_0, at_least_0, finite
from framematch.shot.place import FARTHEST_M, standing

Floats = NDArray[np.float64]
SHAPES = ("rectangle", "arch", "circle")
SIDES = ("left", "top", "right", "bottom")


@dataclass(frozen=True, kw_only=True)
class Opening:
    """An opening to fly through.

    Args:
        width_m, height_m: of the opening, at its widest and highest.
        shape: ``rectangle``; ``arch``, straight sides under a half circle; ``circle``, round (or an
            ellipse where width and height differ).
        thickness_m: of the wall around it.
        sill_m: from the ground to the opening's lowest point.
        middle_m: of the opening's face that the run comes from, scene axes. None stands it where our
            scenes have it: x = 0 over a ground at y = 0, the wall's middle in the plane z = 0.
        heading_deg: the way it is flown, level and square to it: 0 is -Z, 90 is +X.
    """

    width_m: float
    height_m: float
    shape: str = "rectangle"
    thickness_m: float = 0.0
    sill_m: float = 1.0
    middle_m: tuple[float, float, float] | None = None
    heading_deg: float = 0.0

    def __post_init__(self) -> None:
        above_0(self, "width_m", "height_m")
        at_least_0(self, "thickness_m", "sill_m")
        finite(self, "heading_deg")
        if self.middle_m is not None and not all(math.isfinite(v) and abs(v) <= FARTHEST_M for v in self.middle_m):
            raise InputError(f"{list(self.middle_m)} is not a valid place", field="middle_m", fix=f"give three numbers of at most {FARTHEST_M:g} m")
        if self.shape not in SHAPES:
            raise InputError(f"{self.shape!r} is not a shape of an opening", field="shape", fix=f"use one of {', '.join(SHAPES)}")
        if self.shape == "arch" and self.height_m < self.width_m / 2:
            raise InputError(
                f"an arch {self.width_m:g} m wide needs {self.width_m / 2:g} m of height for its half circle", field="height_m", fix="make it higher"
            )

    @property
    def ground_y_m(self) -> float:
        """y of the ground in opening axes."""
        return self.height_m / 2 + self.sill_m

    @property
    def scene_from_opening(self) -> Pose:
        """Where it stands in the scene."""
        middle = self.middle_m or (0.0, self.ground_y_m, self.thickness_m / 2)
        return standing(middle, heading_deg=self.heading_deg, of="opening")

    def edge(self, side: str, points: int, *, depth_m: float = 0.0) -> Floats:
        """Points (n, 3) along one edge, clockwise seen from the run, in opening axes.

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

    def corners(self, points_per_arc: int = 48) -> Floats:
        """The closed outline (n, 2) in x and y with straight edges by their ends and round ones in chords."""
        return np.concatenate([self.edge(side, (points_per_arc if self._arc(side) else 1) + 1)[:-1, :2] for side in SIDES])
