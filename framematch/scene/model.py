"""What is rendered: a surface, its light, and the opening to fly through.

Scene axes are glTF 2.0's (see :mod:`framematch.shot.place`). Colours are sRGB numbers as a picture file holds them (see :mod:`framematch.render.shade`
for how light acts on them).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.pose import Pose
from framematch.shot.opening import Opening
from framematch.shot.place import standing
from framematch.shot.run import Run

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]
Colour = tuple[float, float, float]

EYE_M = 1.6


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


@dataclass(frozen=True, kw_only=True, eq=False)
class Scene:
    """A named surface with its light, the opening that is flown if one is known, and the height of the ground."""

    name: str
    surface: Surface
    light: Light = field(default_factory=Light)
    opening: Opening | None = None
    ground_m: float = 0.0

    @property
    def scene_from_opening(self) -> Pose:
        """Where the opening stands; without one, the middle of the scene's front, at eye height at most, flown along -Z."""
        if self.opening is not None:
            return self.opening.scene_from_opening
        low, high = self.surface.bounds
        x, y, _ = (low + high) / 2
        return standing((x, min(y, self.ground_m + EYE_M), high[2]), of="opening")

    def scene_from_recording(self, run: Run, distance_m: float) -> Pose:
        """The rig on a run, its recording camera ``distance_m`` before the opening, or before the scene's front.

        Raises:
            InputError: no such distance.
        """
        if not 0 < distance_m < 10_000:
            raise InputError(f"{distance_m:g} m is not a distance", field="distance", fix="give metres above 0")
        return self.scene_from_opening @ run.opening_from_recording(distance_m)
