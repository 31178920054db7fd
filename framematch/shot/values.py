"""What else the question is about: subjects, lenses that could be taken, a second camera."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.camera import Camera, Rect
from framematch.geometry.lens import Lens
from framematch.shot.checks import above_0, finite
from framematch.shot.opening import Opening

Floats = NDArray[np.float64]


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
        above_0(self, "height_m")
        finite(self, "beyond_m", "right_m", "stands_m")

    def points_m(self, opening: Opening) -> Floats:
        """Feet, middle and head (3, 3) in opening axes."""
        feet = opening.ground_y_m - self.stands_m
        return np.array([[self.right_m, feet - share * self.height_m, self.beyond_m] for share in (0.0, 0.5, 1.0)])


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
                above_0(self, name)
        if self.widest_f is not None and self.deepest_f is not None and self.widest_f > self.deepest_f:
            raise InputError(f"f/{self.widest_f:g} is deeper than f/{self.deepest_f:g}", field="widest_f", fix="the widest stop has the smaller number")


@dataclass(frozen=True, kw_only=True)
class Second:
    """The second camera of a hidden cut, its lens still open."""

    camera: Camera
    frame: Rect
    shutter_s: float
    at_m: float
