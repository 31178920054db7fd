"""How much room the aircraft has on the planned run. Advisory: it plans a flight, it does not clear one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from framematch.cautions import CLEARANCE
from framematch.guide.shown import amount, centimetres, quantity
from framematch.shot.aircraft import Aircraft
from framematch.shot.opening import SIDES, Opening
from framematch.shot.run import Run

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Clearance:
    """Room between the aircraft's box and the opening on the planned run, in cm; below 0 it strikes.

    Args:
        side_cm: left, top, right, bottom; for a curved edge, to the nearest point of it.
        closest_cm: to the nearest side.
        uncertainty_cm: as given with the aircraft.
        fits: whether the box is smaller than the opening at all, on the best line at this attitude.
        says: one plain line.
    """

    side_cm: tuple[tuple[str, float], ...]
    closest_cm: float
    uncertainty_cm: float
    fits: bool
    says: str
    caution: str = CLEARANCE


def clearance(gap: Opening, run: Run, aircraft: Aircraft) -> Clearance:
    """Sweep the aircraft's box along the run through both faces of the wall.

    The box is held at the run's attitude. Carried along the direction of flight onto a face, its
    corners span what passes that face.
    """
    box = aircraft.box_m @ aircraft.opening_from_airframe(run).T + run.camera_m(0.0)
    direction = run.direction / run.direction[2]
    hulls = [shapely.MultiPoint((box + direction * (z - box[:, 2:]))[:, :2]).convex_hull for z in dict.fromkeys((0.0, gap.thickness_m))]
    sides = tuple((side, 100 * float(room.min())) for side, room in rooms_m(gap, hulls).items())
    closest = min(room for _, room in sides)
    fits = _fits(gap, hulls)
    return Clearance(
        side_cm=sides,
        closest_cm=closest,
        uncertainty_cm=aircraft.uncertainty_cm,
        fits=fits,
        says=_says(gap, aircraft, sides, closest, fits),
    )


def rooms_m(gap: Opening, hulls: Sequence[shapely.Polygon]) -> dict[str, Floats]:
    """Room (n,) to each side of the opening for outlines of what passes it, in its own plane (x right, y down); below 0 it strikes."""
    w, h = gap.width_m / 2, gap.height_m / 2
    left, top, right, bottom = np.array([hull.bounds for hull in hulls]).T
    straight = {"left": left + w, "top": top + h, "right": w - right, "bottom": h - bottom}
    opening = shapely.Polygon(gap.outline(128)[:, :2])
    edges = {side: shapely.LineString(gap.edge(side, 129)[:, :2]) for side in SIDES}

    def room(hull: shapely.Polygon, side: str) -> float:
        corners = shapely.points(shapely.get_coordinates(hull)[:-1])
        poking = ~shapely.contains_properly(opening, corners)
        away = {each: shapely.distance(corners, edge) for each, edge in edges.items()}
        # A corner outside belongs to the side that it is nearest to.
        struck = poking & (away[side] <= np.min([d for each, d in away.items() if each != side], axis=0))
        return -float(away[side][struck].max()) if struck.any() else float(hull.distance(edges[side]))

    plain = SIDES if gap.shape == "rectangle" else ("bottom",) if gap.shape == "arch" else ()
    return {side: straight[side] if side in plain else np.array([room(hull, side) for hull in hulls]) for side in SIDES}


def _fits(gap: Opening, hulls: list[shapely.Polygon]) -> bool:
    """Whether some line parallel to the run passes: moved within the opening the hull stays inside it."""
    # All corners are inside after a shift exactly if the shift is in the opening moved back by each.
    outline = gap.outline(64)[:, :2]
    corners = np.concatenate([shapely.get_coordinates(hull)[:-1] for hull in hulls])
    room = shapely.intersection_all([shapely.Polygon(outline - corner) for corner in corners])
    return bool(room.area > 0)


def _says(gap: Opening, aircraft: Aircraft, sides: tuple[tuple[str, float], ...], closest: float, fits: bool) -> str:
    size, of, off = _size(aircraft.width_m, aircraft.height_m), _size(gap.width_m, gap.height_m), quantity(aircraft.uncertainty_cm, "cm", ".0f")
    if not fits:
        return f"The aircraft ({size}) does not pass this gap ({of}) on any line at this heading and attitude."
    where = min(sides, key=lambda s: s[1])[0]
    if closest < 0:
        return f"On this line the aircraft strikes the {where} edge by {quantity(-closest, 'cm', '.0f')}; the gap is large enough on another line."
    if aircraft.uncertainty_cm == 0:
        return f"Margin by these figures: {centimetres(closest)} at the {where} edge with the path flown exactly; how far the path may be off was not given."
    left = closest - aircraft.uncertainty_cm
    if left < -1e-6:
        return f"No margin by these figures: {centimetres(closest)} at the {where} edge, and the path may be off by {off} (95 %)."
    return f"Margin by these figures: {centimetres(left)} at the {where} edge, the {off} that the path may be off (95 %) taken away."


def _size(wide_m: float, tall_m: float) -> str:
    return f"{amount(100 * wide_m, 'cm'):.0f} x {quantity(100 * tall_m, 'cm', '.0f')}"
