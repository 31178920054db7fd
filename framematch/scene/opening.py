"""Gaps: their outline in the plane z = 0, and walls and frames round them."""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np

from framematch.errors import InputError
from framematch.scene.model import Colour, Gap
from framematch.scene.parts import WHITE, Part, slab

SHAPES = ("rectangle", "arch", "circle")
LEAST_M, MOST_M = 0.1, 20.0


def gap_at_origin(*, width_m: float, height_m: float, shape: str = "rectangle", sill_m: float = 0.0, thickness_m: float = 0.2) -> Gap:
    """A gap whose middle lies on x = 0 in the plane z = 0, above a ground at y = 0, flown along -Z.

    Raises:
        InputError: a size that is no size, or an unknown shape.
    """
    for name, value, least in (("width_m", width_m, LEAST_M), ("height_m", height_m, LEAST_M), ("sill_m", sill_m, 0.0), ("thickness_m", thickness_m, 0.005)):
        if not (math.isfinite(value) and least <= value <= MOST_M):
            raise InputError(f"{value:g} m is out of range", field=f"gap.{name}", fix=f"give {least:g} to {MOST_M:g} m")
    if shape not in SHAPES:
        raise InputError(f"unknown shape '{shape}'", field="gap.shape", fix=f"choose {', '.join(SHAPES)}")
    return Gap(centre_m=(0.0, sill_m + height_m / 2, 0.0), width_m=width_m, height_m=height_m, shape=shape, sill_m=sill_m, thickness_m=thickness_m)


def size_from(text: str) -> tuple[float, float]:
    """Width and height in metres from ``1.2x0.9``.

    Raises:
        InputError: not two numbers.
    """
    number = r"(\d++(?:\.\d++)?+|\.\d++)"  # takes nothing back: linear however long the text
    found = re.fullmatch(rf"\s*+{number}\s*+(?:m\s*+)?+[xX×*]\s*+{number}\s*+m?+\s*+", text)  # noqa: RUF001
    if not found:
        raise InputError(f"'{text}' is no size", field="gap", fix="write width x height in metres, such as 1.2x0.9")
    return float(found[1]), float(found[2])


def outline(gap: Gap) -> Any:
    """The opening as a shapely polygon in scene x and y.

    An arch has a half circle over its full width on top, or half an ellipse where it is lower than
    half its width; a circle that is not as high as it is wide is an ellipse.
    """
    import shapely

    w, h, low = gap.width_m / 2, gap.height_m, gap.sill_m
    turn = np.linspace(0, np.pi, 49)
    if gap.shape == "circle":
        full = np.linspace(0, 2 * np.pi, 97)[:-1]
        points = np.column_stack([w * np.cos(full), low + h / 2 + h / 2 * np.sin(full)])
    elif gap.shape == "arch":
        rise = min(w, h)
        top = np.column_stack([w * np.cos(turn), low + h - rise + rise * np.sin(turn)])
        points = np.concatenate([[(-w, low), (w, low)], top]) if h > rise else top
    else:
        points = np.array([(-w, low), (w, low), (w, low + h), (-w, low + h)])
    return shapely.Polygon(points)


def around(gap: Gap, by_m: float) -> Any:
    """The opening made larger all round, down to the ground at most."""
    import shapely

    grown = outline(gap).buffer(by_m, join_style="mitre", mitre_limit=2.0)
    return grown.intersection(shapely.box(-1e3, 0.0, 1e3, 1e3))


def wall_with_gap(
    gap: Gap, wall: Any, *, material: str, frame_m: float = 0.0, frame_proud_m: float = 0.03, frame_material: str = "paint", frame_tint: Colour = WHITE
) -> list[Part]:
    """A wall (a shapely polygon in x and y) of the gap's thickness with the gap in it, and a frame that lines the gap.

    The clear opening is the gap's own: the frame stands outside it.
    """
    parts = [slab(wall.difference(around(gap, frame_m) if frame_m else outline(gap)), thickness_m=gap.thickness_m, material=material)]
    if frame_m:
        ring = around(gap, frame_m).difference(outline(gap))
        parts.append(slab(ring, thickness_m=gap.thickness_m + 2 * frame_proud_m, material=frame_material, tint=frame_tint))
    return parts
