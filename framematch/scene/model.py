"""What is rendered: a surface, its light, a gap to fly through, and where the rig stands.

Scene axes are glTF 2.0's: metres, right-handed, +Y up. A level rig with heading 0 looks along -Z with
+X to its right. Colours are sRGB numbers as a picture file holds them (see :mod:`framematch.render.shade`
for how light acts on them).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.mount import rotation_from_aim

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]
Colour = tuple[float, float, float]

#: Camera axes (+x right, +y down, +z out) of a level rig with heading 0, in scene axes.
LEVEL = np.diag([1.0, -1.0, -1.0])


@dataclass(frozen=True, kw_only=True, eq=False)
class Surface:
    """Triangles with colour, all of a scene in one mesh.

    Args:
        vertices: (N, 3) metres, scene axes.
        faces: (M, 3) indices into ``vertices``, anticlockwise seen from outside.
        colours: (N, 3) uint8, blended over each face and multiplied with the texture if there is one.
        uv: (N, 2) places in the texture, (0, 0) its bottom-left corner, repeating (glTF has the top-left).
        texture: (H, W, 3) uint8, first row at the top; goes with ``uv``.
    """

    vertices: Floats
    faces: Ints
    colours: Bytes
    uv: Floats | None = None
    texture: Bytes | None = None

    def __post_init__(self) -> None:
        n = len(self.vertices)
        shapes_fit = (
            self.vertices.shape == (n, 3)
            and self.faces.ndim == 2
            and self.faces.shape[1] == 3
            and self.colours.shape == (n, 3)
            and (self.uv is None or self.uv.shape == (n, 2))
            and (self.texture is None or (self.texture.ndim == 3 and self.texture.shape[2] == 3))
            and (self.uv is None) == (self.texture is None)
        )
        if not shapes_fit:
            raise ValueError("surface arrays do not fit each other")

    @property
    def bounds(self) -> Floats:
        """Lowest and highest corner (2, 3) in metres."""
        used = self.vertices[np.unique(self.faces)]
        return np.array([used.min(axis=0), used.max(axis=0)])


@dataclass(frozen=True, kw_only=True)
class Light:
    """Sun and sky. Amounts are shares of full light, red, green and blue.

    Args:
        sun_direction: from the scene towards the sun, unit, scene axes.
        sun, ambient: light on a face that looks straight at the sun, and from all around.
        sky_zenith, sky_horizon: colours of the sky as sRGB shares.
    """

    sun_direction: tuple[float, float, float] = (0.41, 0.78, 0.47)
    sun: Colour = (0.62, 0.60, 0.55)
    ambient: Colour = (0.38, 0.40, 0.45)
    sky_zenith: Colour = (0.36, 0.55, 0.80)
    sky_horizon: Colour = (0.80, 0.87, 0.93)


@dataclass(frozen=True, kw_only=True)
class Gap:
    """An opening to fly through, in a plane.

    Args:
        centre_m: middle of the opening, scene axes.
        width_m, height_m: of the opening.
        shape: ``rectangle``, ``arch`` or ``circle``.
        sill_m: from the ground to the opening's lower edge.
        thickness_m: of what it is cut into.
        normal: unit, horizontal, out of the plane towards the rig's side.
    """

    centre_m: tuple[float, float, float]
    width_m: float
    height_m: float
    shape: str = "rectangle"
    sill_m: float = 0.0
    thickness_m: float = 0.0
    normal: tuple[float, float, float] = (0.0, 0.0, 1.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class Scene:
    """A named surface with its light, the gap in it if any, and the height of the ground."""

    name: str
    surface: Surface
    light: Light = field(default_factory=Light)
    gap: Gap | None = None
    ground_m: float = 0.0


@dataclass(frozen=True, kw_only=True)
class ViewPose:
    """Where the recording camera stands (its entrance pupil) and looks.

    Args:
        position_m: scene axes.
        heading_deg: 0 looks along -Z, + turns right, so 90 looks along +X.
        pitch_deg: + looks up.
        bank_deg: + is clockwise seen from behind. Turned first, then pitched, then banked.
    """

    position_m: tuple[float, float, float]
    heading_deg: float = 0.0
    pitch_deg: float = 0.0
    bank_deg: float = 0.0

    def __post_init__(self) -> None:
        for name in ("heading_deg", "pitch_deg", "bank_deg"):
            if not math.isfinite(getattr(self, name)):
                raise InputError(f"{getattr(self, name)} is not a number", field=name, fix="give a finite number")
        if not all(map(math.isfinite, self.position_m)):
            raise InputError(f"{self.position_m} is no place", field="position_m", fix="give three finite numbers")

    @property
    def scene_from_camera(self) -> Floats:
        """(4, 4): camera axes (+x right, +y down, +z out) into scene axes."""
        out = np.eye(4)
        out[:3, :3] = LEVEL @ rotation_from_aim(pan_deg=self.heading_deg, tilt_deg=self.pitch_deg, roll_deg=self.bank_deg)
        out[:3, 3] = self.position_m
        return out
