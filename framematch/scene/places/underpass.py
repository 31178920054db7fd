"""A concrete underpass below a road."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from framematch.scene.ground import EDGE_M, floor, skyline
from framematch.scene.opening import around, outline, wall_with_gap
from framematch.scene.parts import Part, box, slab, span, tube
from framematch.scene.people import Figure
from framematch.scene.registry import place
from framematch.shot.opening import Opening

LONG_M = 14.0


@place(
    "underpass",
    "A concrete underpass, 14 m long, below a road",
    opening=Opening(width_m=3.0, height_m=2.4, thickness_m=0.5, sill_m=0.0),
    figures=[Figure(x_m=-2.2, z_m=1.2, heading_deg=160), Figure(x_m=1.05, z_m=-6.0, height_m=1.62, heading_deg=200), Figure(x_m=3.2, z_m=8.0, heading_deg=110)],
    beside_m=1.0,
    board_m=-2.6,
)
def underpass(gap: Opening) -> Iterator[Part]:
    import shapely

    w, t = gap.width_m / 2, gap.thickness_m
    top = gap.sill_m + gap.height_m + 1.0
    portal = shapely.Polygon([(-w - 6.5, 0), (w + 6.5, 0), (w + 2.2, top), (-w - 2.2, top)])
    for z in (0.0, -LONG_M):  # the near portal is the gap; the far one is its twin
        for part in wall_with_gap(gap, portal, material="concrete", frame_m=0.25, frame_proud_m=0.05, frame_material="paint", frame_tint=(0.97, 0.80, 0.22)):
            yield part.moved(z=z)
    middle = -LONG_M / 2
    lining = around(gap, 0.25).difference(outline(gap))
    yield slab(lining, thickness_m=LONG_M - t - 0.1, material="concrete", tint=(0.82, 0.82, 0.84)).moved(z=middle)
    low = gap.sill_m + 0.35 * min(gap.height_m, 2.4)
    springing = gap.sill_m + gap.height_m - min(w, gap.height_m)
    if gap.shape == "rectangle" or (gap.shape == "arch" and low + 0.25 < springing):
        for side in (-1, 1):  # a coloured band and rail along the walls
            x0, x1 = sorted((side * w, side * (w - 0.015)))
            yield span((x0, low, -LONG_M + 0.5), (x1, low + 0.25, -0.5), tint=(0.20, 0.45, 0.62))
    lamp_y = gap.sill_m + gap.height_m
    for z in np.arange(-LONG_M + 1.2, -0.5, 2.4):
        yield box((0.9, 0.05, 0.16), foot=(0, lamp_y - 0.05, z), tint=(1.0, 1.0, 0.94))
    # the embankment with the road on it
    for side in (-1, 1):
        bank = shapely.Polygon([(side * (w + 0.25), 0), (side * (w + 6.4), 0), (side * (w + 2.1), top - 0.12), (side * (w + 0.25), top - 0.12)])
        yield slab(bank.normalize(), thickness_m=LONG_M - t, material="leaves", tint=(0.95, 1.0, 0.9)).moved(z=middle)
    roof = gap.sill_m + gap.height_m + 0.26
    yield span((-w - 0.25, roof, -LONG_M + t / 2), (w + 0.25, top - 0.12, -t / 2), material="asphalt")
    for z in (0.0, -LONG_M):
        for y in (top + 0.5, top + 0.95):
            yield tube([(-w - 2.2, y, z), (w + 2.2, y, z)], 0.035, tint=(0.75, 0.77, 0.78))
        for x in np.linspace(-w - 2.1, w + 2.1, max(3, round((2 * w + 4) / 1.5))):
            yield box((0.06, 1.0, 0.06), foot=(x, top, z), tint=(0.70, 0.72, 0.74))
    yield floor((-EDGE_M, -EDGE_M), (EDGE_M, EDGE_M), material="asphalt")
    yield from skyline()
