"""Where it is flown: one of our scenes by name, or a mesh of one's own, and how that stands in the scene's axes.

Scene axes are glTF 2.0's: metres, right-handed, +Y up. A level rig with heading 0 looks along -Z with +X to its right.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from framematch.errors import InputError
from framematch.geometry.mount import rotation_from_aim
from framematch.geometry.pose import Axes, Pose

FARTHEST_M = 10_000.0
#: Axes of something level that heads along -Z (+x right, +y down, +z ahead), in scene axes; the same turn leads both ways.
LEVEL = np.diag([1.0, -1.0, -1.0])


@dataclass(frozen=True, kw_only=True)
class Place:
    """A place. A mesh is turned upright, scaled, turned, then moved.

    Args:
        scene: name of one of our scenes; of no meaning where there is a file.
        file: a mesh of one's own.
        scale_m: metres for each of the mesh's units: 0.001 for millimetres, 0.3048 for feet.
        up: the mesh's axis that points up, ``y`` or ``z``.
        at_m: where the mesh's origin goes, scene axes.
        turned_deg: + turns the mesh right, seen from above.
        ground_m: y of the ground; None for a mesh's lowest point, and for our scenes, whose ground is y = 0.
    """

    scene: str = "glasshouse"
    file: Path | None = None
    scale_m: float = 1.0
    up: str = "y"
    at_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    turned_deg: float = 0.0
    ground_m: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.scale_m) and 1e-6 <= self.scale_m <= 1e6):
            raise InputError(f"{self.scale_m:g} is not a valid scale", field="scale_m", fix="give metres for each of the mesh's units, such as 0.001")
        if self.up not in ("y", "z"):
            raise InputError(f"{self.up!r} is not an upward axis", field="up", fix="choose y or z")
        if not all(math.isfinite(v) and abs(v) <= FARTHEST_M for v in (*self.at_m, self.ground_m or 0.0)):
            raise InputError(f"{self.at_m} is out of range", field="at_m", fix=f"give finite numbers of at most {FARTHEST_M:g} m")
        if not math.isfinite(self.turned_deg):
            raise InputError(f"{self.turned_deg} is not a number", field="turned_deg", fix="give a finite number")
        if self.file is None and (self.scale_m, self.up, self.at_m, self.turned_deg, self.ground_m) != (1.0, "y", (0.0, 0.0, 0.0), 0.0, None):
            raise InputError("only a mesh file is scaled, turned or moved", field="scale_m", fix="leave it out, or name a mesh file")

    @property
    def name(self) -> str:
        """What it is called."""
        return self.scene if self.file is None else self.file.stem


def standing(position_m: ArrayLike, *, heading_deg: float = 0.0, pitch_deg: float = 0.0, bank_deg: float = 0.0, of: Axes = "recording") -> Pose:
    """``scene_from_recording``, or of other axes that run right, down, ahead, by place and three turns.

    Args:
        position_m: (3,) of their origin, scene axes.
        heading_deg: 0 looks along -Z, + turns right, so 90 looks along +X.
        pitch_deg: + looks up.
        bank_deg: + is clockwise seen from behind. Turned first, then pitched, then banked.
        of: which axes.

    Raises:
        InputError: a figure that is not a finite number.
    """
    for name, value in (("heading_deg", heading_deg), ("pitch_deg", pitch_deg), ("bank_deg", bank_deg)):
        if not math.isfinite(value):
            raise InputError(f"{value} is not a number", field=name, fix="give a finite number")
    position = np.asarray(position_m, dtype=np.float64)
    if position.shape != (3,) or not np.isfinite(position).all():
        raise InputError(f"{position.tolist()} is not a valid place", field="position_m", fix="give three finite numbers")
    turn = LEVEL @ rotation_from_aim(pan_deg=heading_deg, tilt_deg=pitch_deg, roll_deg=bank_deg)
    return Pose(a="scene", b=of, rotation=turn, translation_m=position)
