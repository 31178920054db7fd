"""Poses: where one set of axes stands in another.

A pose is named ``a_from_b`` and turns what is written in axes b into axes a: X_a = R X_b + t, metres.
``a_from_b @ b_from_c`` is ``a_from_c``; poses whose inner axes differ refuse to be composed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
#: scene: glTF 2.0's (+Y up); opening: its middle, +x right, +y down, +z through; airframe, recording,
#: monitoring: +x right, +y down, +z ahead.
Axes = Literal["scene", "opening", "airframe", "recording", "monitoring"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Pose:
    """Axes ``b`` seen from axes ``a``.

    Args:
        a, b: which axes; what is written in b comes out in a.
        rotation: (..., 3, 3), proper and orthonormal to 1e-9.
        translation_m: (..., 3), the origin of b in a.

    Raises:
        ValueError: no rotation, or shapes that do not go together.
    """

    a: Axes
    b: Axes
    rotation: Floats
    translation_m: Floats

    def __post_init__(self) -> None:
        turn, shift = np.asarray(self.rotation, dtype=np.float64), np.asarray(self.translation_m, dtype=np.float64)
        if turn.shape[-2:] != (3, 3) or shift.shape[-1:] != (3,) or turn.shape[:-2] != shift.shape[:-1]:
            raise ValueError(f"rotation {turn.shape} and translation {shift.shape} are no pose")
        if np.abs(turn @ np.swapaxes(turn, -1, -2) - np.eye(3)).max(initial=0.0) > 1e-9 or (np.linalg.det(turn) < 0).any():
            raise ValueError(f"{self.a}_from_{self.b} does not turn: its matrix is not a rotation")
        object.__setattr__(self, "rotation", turn)
        object.__setattr__(self, "translation_m", shift)

    def __matmul__(self, other: Pose) -> Pose:
        """``a_from_b @ b_from_c``.

        Raises:
            ValueError: the inner axes are not the same.
        """
        if self.b != other.a:
            raise ValueError(f"{self.a}_from_{self.b} can't be followed by {other.a}_from_{other.b}")
        turn = self.rotation @ other.rotation
        return Pose(a=self.a, b=other.b, rotation=turn, translation_m=self.points(other.translation_m))

    @property
    def inverse(self) -> Pose:
        """``b_from_a``."""
        back = np.swapaxes(self.rotation, -1, -2)
        return Pose(a=self.b, b=self.a, rotation=back, translation_m=-np.einsum("...ij,...j->...i", back, self.translation_m))

    @property
    def matrix(self) -> Floats:
        """(..., 4, 4), homogeneous, as glTF and renderers take it."""
        out = np.zeros((*self.translation_m.shape[:-1], 4, 4))
        out[..., :3, :3], out[..., :3, 3], out[..., 3, 3] = self.rotation, self.translation_m, 1.0
        return out

    def points(self, points_m: ArrayLike) -> Floats:
        """Points (..., 3) of axes b, metres, in axes a; one for each pose, or any number for a single pose."""
        return self.directions(points_m) + self.translation_m

    def directions(self, directions: ArrayLike) -> Floats:
        """Directions (..., 3) of axes b in axes a: turned, not moved."""
        out: Floats = np.einsum("...ij,...j->...i", self.rotation, np.asarray(directions, dtype=np.float64))
        return out
