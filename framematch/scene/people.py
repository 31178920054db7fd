"""Standing figures to judge scale by.

Proportions are shares of stature after the usual drawing canon of seven and a half heads (practice).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from framematch.errors import InputError
from framematch.scene.model import Colour
from framematch.scene.parts import Part, ball, tube
from framematch.shot.opening import Opening
from framematch.shot.values import Subject

STATURE_M = 1.75  # adult means are 1.754 and 1.617 m (US national survey 2015-16)
JACKETS: tuple[Colour, ...] = ((0.93, 0.42, 0.10), (0.16, 0.42, 0.70), (0.75, 0.16, 0.18), (0.92, 0.80, 0.20))
SKINS: tuple[Colour, ...] = ((0.88, 0.68, 0.55), (0.55, 0.38, 0.28), (0.76, 0.56, 0.42))


@dataclass(frozen=True, kw_only=True)
class Figure:
    """Someone standing: where on the ground, how tall, which way they face (180 looks back at the rig)."""

    x_m: float
    z_m: float
    height_m: float = STATURE_M
    heading_deg: float = 180.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.height_m) and 0 < self.height_m <= 1000):
            raise InputError(f"{self.height_m:g} m is not a valid height", field="subject.height_m", fix="give metres above 0")
        for name in ("x_m", "z_m", "heading_deg"):
            if not math.isfinite(getattr(self, name)):
                raise InputError(f"{getattr(self, name)} is not a number", field=f"subject.{name}", fix="give a finite number")


def figure_parts(figure: Figure, *, look: int = 0, ground_m: float = 0.0) -> list[Part]:
    """The parts of one figure; ``look`` picks its colours."""
    jacket, skin = JACKETS[look % len(JACKETS)], SKINS[look % len(SKINS)]
    trousers: Colour = (0.17, 0.19, 0.26)
    parts = [
        tube(
            [(0, y, 0) for y in (0.475, 0.51, 0.56, 0.62, 0.68, 0.74, 0.785, 0.815, 0.835, 0.845)],
            [0.106, 0.103, 0.094, 0.089, 0.098, 0.108, 0.112, 0.100, 0.070, 0.034],
            sides=20,
            flatten=(1.0, 0.70),
            tint=jacket,
        ),
        tube([(0, 0.82, 0), (0, 0.89, 0)], [0.033, 0.029], tint=skin),
        ball((0.008, 0.014, 0.012), centre=(0, 0.922, -0.055), tint=skin, finer=1),
        ball((0.044, 0.066, 0.055), centre=(0, 0.930, 0), tint=skin),
        ball((0.047, 0.050, 0.056), centre=(0, 0.950, 0.012), tint=(0.20, 0.15, 0.11)),
    ]
    for side in (-1, 1):
        leg = [(side * 0.050, 0.53, 0), (side * 0.052, 0.45, 0), (side * 0.054, 0.285, 0), (side * 0.056, 0.20, 0.004), (side * 0.056, 0.03, 0.006)]
        arm = [
            (side * x, y, z)
            for x, y, z in ((0.098, 0.830, 0), (0.110, 0.819, 0), (0.121, 0.795, 0), (0.127, 0.76, 0), (0.139, 0.63, 0.006), (0.147, 0.49, -0.01))
        ]
        parts += [
            tube(leg, [0.046, 0.047, 0.038, 0.036, 0.029], tint=trousers),
            tube(arm, [0.010, 0.025, 0.033, 0.034, 0.030, 0.023], sides=16, tint=jacket),
            ball((0.017, 0.040, 0.024), centre=(side * 0.150, 0.455, -0.012), tint=skin, finer=1),
            ball((0.032, 0.024, 0.072), centre=(side * 0.058, 0.024, -0.022), tint=(0.10, 0.09, 0.09), finer=1),
        ]
    h = figure.height_m
    return [part.scaled(h, h, h).turned(heading_deg=figure.heading_deg).moved(figure.x_m, ground_m, figure.z_m) for part in parts]


def subject_parts(opening: Opening, subjects: Sequence[Subject]) -> list[Part]:
    """Subjects as figures that look back at the rig, standing where the tables have them."""
    parts: list[Part] = []
    for look, subject in enumerate(subjects):
        x, y, z = opening.scene_from_opening.points(subject.points_m(opening)[0])
        figure = Figure(x_m=x, z_m=z, height_m=subject.height_m, heading_deg=opening.heading_deg + 180.0)
        parts += figure_parts(figure, look=look, ground_m=y)
    return parts
