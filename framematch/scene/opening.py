"""Walls and frames round an opening, in scene x and y over a ground at y = 0, the wall's middle in the plane z = 0."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from framematch.errors import InputError
from framematch.scene.model import Colour
from framematch.scene.parts import WHITE, Part, slab
from framematch.shot.opening import Opening

if TYPE_CHECKING:
    import shapely

LEAST_M, MOST_M = 0.1, 20.0
THIN_M = 0.005  # walls are cut out of something


def buildable(opening: Opening, least_m: float = THIN_M) -> Opening:
    """The opening as it can be built: in a wall of at least some thickness.

    Raises:
        InputError: a size that is not built here.
    """
    for name, value, least in (("width_m", opening.width_m, LEAST_M), ("height_m", opening.height_m, LEAST_M), ("sill_m", opening.sill_m, 0.0)):
        if not least <= value <= MOST_M:
            raise InputError(f"{value:g} m is out of range for a view", field=f"gap.{name}", fix=f"give {least:g} to {MOST_M:g} m")
    if opening.thickness_m > MOST_M:
        raise InputError(f"{opening.thickness_m:g} m is out of range for a view", field="gap.thickness_m", fix=f"give 0 to {MOST_M:g} m")
    return replace(opening, thickness_m=max(opening.thickness_m, least_m))


def outline(opening: Opening) -> shapely.Polygon:
    """The opening as a shapely polygon."""
    import shapely

    x, y = opening.corners().T
    return shapely.Polygon(list(zip(x, opening.ground_y_m - y, strict=True))).normalize()


def around(opening: Opening, by_m: float) -> shapely.Polygon:
    """The opening made larger all round, down to the ground at most."""
    import shapely

    grown = outline(opening).buffer(by_m, join_style="mitre", mitre_limit=2.0)
    return grown.intersection(shapely.box(-1e3, 0.0, 1e3, 1e3))


def wall_with_gap(
    opening: Opening,
    wall: shapely.Polygon,
    *,
    material: str,
    frame_m: float = 0.0,
    frame_proud_m: float = 0.03,
    frame_material: str = "paint",
    frame_tint: Colour = WHITE,
) -> list[Part]:
    """A wall (a shapely polygon) of the opening's thickness with the opening in it, and a frame that lines it.

    The clear opening is the opening's own: the frame stands outside it. It is the frame that has the opening's
    thickness, so that its near edge is where the opening's is; the wall behind it is thinner.
    """
    clear, thick = outline(opening), opening.thickness_m
    wall_m = max(thick - 2 * frame_proud_m, 0.4 * thick) if frame_m else thick
    parts = [slab(wall.difference(around(opening, frame_m) if frame_m else clear), thickness_m=wall_m, material=material)]
    if frame_m:
        ring = around(opening, frame_m).difference(clear)
        parts.append(slab(ring, thickness_m=thick, material=frame_material, tint=frame_tint))
    return parts


def gate(opening: Opening) -> list[Part]:
    """A wall of boards that stands by itself, for an opening beyond the place's own."""
    import shapely

    half, top = opening.width_m / 2 + 0.6, opening.sill_m + opening.height_m + 0.6
    return wall_with_gap(opening, shapely.box(-half, 0.0, half, top), material="boards", frame_m=0.06)
