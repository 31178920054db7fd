"""A door at the end of a corridor."""

from __future__ import annotations

from collections.abc import Iterator

from framematch.scene.ground import floor, floor_with_room, skyline
from framematch.scene.model import Light
from framematch.scene.opening import wall_with_gap
from framematch.scene.parts import Part, box, cylinder, moved, slab, span
from framematch.scene.people import Figure
from framematch.scene.registry import place
from framematch.shot.opening import Opening


@place(
    "doorway",
    "A door at the end of a corridor, into a room with windows",
    opening=Opening(width_m=0.815, height_m=1.985, thickness_m=0.14, sill_m=0.0),  # clear width ADA 404.2.3, height DIN 18101
    figures=[Figure(x_m=-0.78, z_m=1.3, heading_deg=160), Figure(x_m=1.5, z_m=-3.2, height_m=1.62)],
    beside_m=0.62,
    board_m=-0.95,
    far_m=15.0,
    light=Light(sun_direction=(0.35, 0.80, 0.49), sun=(0.46, 0.45, 0.42), ambient=(0.50, 0.51, 0.53)),
)
def doorway(gap: Opening) -> Iterator[Part]:
    import shapely

    w, t = gap.width_m / 2, gap.thickness_m
    half, high = max(1.25, w + 0.75), max(2.6, gap.sill_m + gap.height_m + 0.5)
    room, deep, long = half + 1.8, 6.5, 16.0
    yield from wall_with_gap(gap, shapely.box(-room, 0, room, high), material="plaster", frame_m=0.06, frame_tint=(0.42, 0.50, 0.55))
    # corridor: pictures and doors on the left, windows on the right
    yield span((-half - 0.2, 0, t / 2), (-half, high, long), material="plaster")
    openings = [shapely.box(z, 0.95, z + 1.2, high - 0.4) for z in (2.0, 5.0, 8.0, 11.0, 14.0)]
    side = slab(shapely.box(t / 2, 0, long, high).difference(shapely.union_all(openings)), thickness_m=0.2, material="plaster")
    yield side.turned(heading_deg=90).moved(half + 0.1, 0, 0)
    yield span((-half, 0, long), (half, high, long + 0.2), material="plaster")
    yield span((-half - 0.2, high, t / 2), (half + 0.2, high + 0.2, long + 0.2), material="panel")
    for z in (3.4, 7.9, 12.4):
        yield span((-half, 0, z), (-half + 0.04, 1.985, z + 0.86), material="boards", tint=(0.80, 0.70, 0.58))
        yield box((0.05, 0.05, 0.13), foot=(-half + 0.06, 1.02, z + 0.76), tint=(0.78, 0.76, 0.7))
        yield span((-half, 1.25, z + 1.8), (-half + 0.03, 1.85, z + 2.6), tint=(0.24, 0.34, 0.42))
    for x in (-half, half - 0.02):  # skirting
        yield span((x, 0, t / 2), (x + 0.02, 0.12, long), tint=(0.36, 0.40, 0.42))
    yield cylinder(radius_m=0.08, height_m=0.55, foot=(half - 0.12, 0.25, 0.45), tint=(0.80, 0.12, 0.10))
    if gap.shape == "rectangle" and gap.sill_m < 0.2:
        yield from _leaf(gap)
    # the room behind
    back = shapely.box(-room, 0, room, high).difference(shapely.union_all([shapely.box(x, 0.9, x + 1.2, high - 0.35) for x in (-2.7, -0.6, 1.5)]))
    yield slab(back, thickness_m=0.3, material="plaster", tint=(0.86, 0.90, 0.88)).moved(z=-deep - 0.15)
    for x in (-room - 0.2, room):
        yield span((x, 0, -deep), (x + 0.2, high, -t / 2), material="plaster", tint=(0.86, 0.90, 0.88))
    yield span((-room - 0.2, high, -deep - 0.3), (room + 0.2, high + 0.2, t / 2), material="panel")
    yield from moved(
        [box((1.5, 0.04, 0.75), foot=(0, 0.71, 0), material="boards"), *(box((0.05, 0.71, 0.05), foot=(x, 0, z)) for x in (-0.7, 0.7) for z in (-0.33, 0.33))],
        x=-1.7,
        z=-3.6,
    )
    yield from moved(
        [
            box((0.45, 0.04, 0.45), foot=(0, 0.43, 0), tint=(0.7, 0.2, 0.16)),
            box((0.45, 0.5, 0.04), foot=(0, 0.47, -0.2), tint=(0.7, 0.2, 0.16)),
            box((0.3, 0.43, 0.3), tint=(0.2, 0.2, 0.2)),
        ],
        x=-1.6,
        z=-4.4,
    )
    inside, *outside = floor_with_room((-room, -deep), (room, -t / 2), inside="slabs", outside="earth")
    yield inside
    yield floor((-half, -t / 2), (half, long), material="slabs", y_m=0.004)
    yield from outside
    yield from skyline()


def _leaf(gap: Opening) -> list[Part]:
    """The door's leaf, hung on the left and opened into the room."""
    w, h = gap.width_m, gap.height_m
    leaf = [
        box((w, h - 0.01, 0.04), foot=(w / 2, 0.008, 0), material="boards", tint=(0.62, 0.74, 0.82)),
        box((0.12, 0.03, 0.12), foot=(w - 0.08, 1.02, 0), tint=(0.8, 0.78, 0.7)),
    ]
    return [part.turned(heading_deg=-97).moved(-w / 2 - 0.045, gap.sill_m, -gap.thickness_m / 2 - 0.06) for part in leaf]
