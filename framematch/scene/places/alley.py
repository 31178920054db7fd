"""An alley between two brick buildings with an arched passage across it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from framematch.scene.ground import EDGE_M, floor, skyline
from framematch.scene.opening import wall_with_gap
from framematch.scene.parts import Part, box, cylinder, span, tube
from framematch.scene.people import Figure
from framematch.scene.registry import place
from framematch.shot.opening import Opening


@place(
    "alley",
    "An alley between brick buildings, narrowed by an arch",
    opening=Opening(width_m=1.1, height_m=2.3, shape="arch", thickness_m=0.4, sill_m=0.0),
    figures=[Figure(x_m=-0.82, z_m=1.2, heading_deg=150), Figure(x_m=2.4, z_m=11.5, heading_deg=120), Figure(x_m=0.75, z_m=-6.5, height_m=1.62)],
    beside_m=0.62,
    board_m=-0.92,
)
def alley(gap: Opening) -> Iterator[Part]:
    import shapely

    w = gap.width_m / 2
    half, top, mouth, end = w + 0.65, 7.5, 9.0, -16.0
    arch_top = gap.sill_m + gap.height_m + 0.55
    yield from wall_with_gap(
        gap, shapely.box(-half, 0, half, arch_top), material="brick", frame_m=0.22, frame_proud_m=0.03, frame_material="concrete", frame_tint=(0.95, 0.90, 0.80)
    )
    for side, tint in ((-1, (1.0, 1.0, 1.0)), (1, (0.86, 0.84, 0.92))):
        x0, x1 = sorted((side * half, side * (half + 7.0)))
        yield span((x0, 0, end), (x1, top + side * 0.6, mouth), material="brick", tint=tint)
        yield span((x0, 0, mouth), (x1, 0.5, mouth + 0.06), material="concrete")
        wall = side * (half - 0.02)
        for z in np.arange(end + 2.2, mouth - 1, 2.75):  # windows and doors along the alley
            yield _pane(wall, 2.9, z, 0.95, 1.35)
            yield _pane(wall, 5.3, z, 0.95, 1.35)
            yield box((0.16, 0.08, 1.2), foot=(wall, 2.80, z), material="concrete")
        for z in (end + 3.6, -2.4, 4.0):
            yield box((0.06, 1.985, 0.86), foot=(wall, 0, z), material="boards", tint=(0.45, 0.62, 0.55) if side < 0 else (0.62, 0.38, 0.34))
        for x in np.arange(half + 1.2, half + 6.0, 2.2):  # fronts
            for y in (1.0, 3.7):
                yield box((1.0, 1.4, 0.05), foot=(side * x, y, mouth + 0.02), tint=(0.20, 0.26, 0.32))
                yield box((1.2, 0.09, 0.16), foot=(side * x, y - 0.09, mouth + 0.05), material="concrete")
        pipe_x, pipe_z = side * (half - 0.09), 2.1 * side - 1
        yield cylinder(radius_m=0.055, height_m=top, foot=(pipe_x, 0, pipe_z), tint=(0.30, 0.33, 0.34))
    for y, z in ((4.4, -4.0), (4.0, 6.3)):  # pipes across, high above the run
        yield tube([(-half, max(y, arch_top + 0.6), z), (half, max(y, arch_top + 0.6), z)], 0.06, material="rust")
    for z in (2.6, -3.6, -5.1):
        yield box((0.55, 1.0, 0.6), foot=(half - 0.32, 0, z), tint=(0.20, 0.38, 0.24))
        yield box((0.58, 0.06, 0.64), foot=(half - 0.32, 1.0, z), tint=(0.12, 0.22, 0.15))
    yield box((0.4, 0.36, 0.6), foot=(-half + 0.22, 0, -8.2), material="boards")
    yield floor((-EDGE_M, -EDGE_M), (EDGE_M, EDGE_M), material="asphalt")
    yield from skyline()


def _pane(x: float, y: float, z: float, width: float, height: float) -> Part:
    return box((0.05, height, width), foot=(x, y, z), tint=(0.20, 0.26, 0.32))
