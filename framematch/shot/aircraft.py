"""The airframe around the recording camera, in a box, with what could come into the picture."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.mount import rotation_from_aim
from framematch.shot.checks import above_0, at_least_0, finite
from framematch.shot.run import Run

Floats = NDArray[np.float64]


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
        finite(self, "right_mm", "up_mm", "forward_mm")
        above_0(self, "radius_mm", "blade_mm")
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
        finite(self, "right_mm", "up_mm", "forward_mm")
        if not all(0 < s < math.inf for s in self.size_mm):
            raise InputError(f"{list(self.size_mm)} is not a size", field="size_mm", fix="give width, height and length above 0")
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
        above_0(self, "width_m", "height_m", "length_m")
        at_least_0(self, "uncertainty_cm")
        finite(self, "right_m", "up_m", "forward_m")
        if not abs(self.camera_tilt_deg) <= 90:
            raise InputError(f"{self.camera_tilt_deg} is out of range", field="camera_tilt_deg", fix="give -90 to 90")

    def opening_from_airframe(self, run: Run) -> Floats:
        """Rotation (3, 3) of the airframe's axes into opening axes: the camera's, less its tilt on the airframe."""
        out: Floats = run.opening_from_camera @ rotation_from_aim(tilt_deg=-self.camera_tilt_deg)
        return out

    @property
    def box_m(self) -> Floats:
        """Corners (8, 3) of the box in airframe axes, from the recording camera."""
        half = np.array([self.width_m, self.height_m, self.length_m]) / 2
        signs = np.array([[a, b, c] for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)])
        out: Floats = signs * half - np.array([self.right_m, -self.up_m, self.forward_m])
        return out
