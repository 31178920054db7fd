"""A window in what is left of a brick house."""

from __future__ import annotations

from collections.abc import Iterator

from framematch.scene.ground import floor_with_room, skyline
from framematch.scene.opening import wall_with_gap
from framematch.scene.parts import Part, box, span
from framematch.scene.people import Figure
from framematch.scene.registry import place
from framematch.shot.opening import Opening


@place(
    "window",
    "A window in the brick wall of a ruin",
    opening=Opening(width_m=1.2, height_m=0.9, sill_m=0.9, thickness_m=0.3),
    figures=[Figure(x_m=-1.45, z_m=0.8), Figure(x_m=2.6, z_m=5.0, heading_deg=140), Figure(x_m=0.9, z_m=-4.5, height_m=1.62)],
)
def window(gap: Opening) -> Iterator[Part]:
    import shapely

    w, t = gap.width_m / 2, gap.thickness_m
    half, top = w + 4.4, gap.sill_m + gap.height_m + 1.9
    ruin = shapely.Polygon([(-half, 0), (half, 0), (half, top - 1.5), (half - 0.9, top - 1.35), (half - 1.3, top - 0.5), (half - 2.6, top), (-half, top)])
    yield from wall_with_gap(gap, ruin, material="brick", frame_m=0.07, frame_tint=(0.93, 0.93, 0.90))
    if gap.sill_m >= 0.15 and gap.shape != "circle":
        yield span((-w - 0.2, gap.sill_m - 0.15, t / 2), (w + 0.2, gap.sill_m - 0.07, t / 2 + 0.12), material="concrete")
    # a bricked-up door of the usual leaf (DIN 18101: 860 x 1985 mm) and the side walls of the house
    yield span((w + 1.9, 0, t / 2), (w + 2.76, 1.985, t / 2 + 0.05), material="boards", tint=(0.55, 0.72, 0.62))
    yield box((0.06, 0.06, 0.09), foot=(w + 2.66, 1.0, t / 2 + 0.09), tint=(0.85, 0.8, 0.5))
    for side in (-1, 1):
        x0, x1 = sorted((side * half, side * (half - 0.3)))
        yield span((x0, 0, -7), (x1, 2.4 if side > 0 else top - 0.6, -t / 2), material="brick")
    yield span((-half + 0.3, 0, -7), (-half + 2.8, 2.6, -6.7), material="brick")
    yield span((half - 2.4, 0, -7), (half - 0.3, 1.4, -6.7), material="brick")
    yield box((1.2, 0.9, 0.8), foot=(-w - 2.0, 0, -3.4), material="boards")
    yield box((0.8, 0.6, 0.8), foot=(-w - 1.9, 0.9, -3.4), material="boards", tint=(0.9, 0.85, 0.8))
    yield from floor_with_room((-half, -7.0), (half, -t / 2), inside="slabs", outside="asphalt")
    yield from skyline()
