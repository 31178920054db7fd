"""A car with both side windows open, flown through from side to side."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from framematch.scene.ground import EDGE_M, floor, skyline
from framematch.scene.model import Colour
from framematch.scene.opening import around, outline
from framematch.scene.parts import Part, box, slab, tube
from framematch.scene.people import Figure
from framematch.scene.registry import place
from framematch.shot.opening import Opening

BODY: Colour = (0.70, 0.16, 0.14)
DARK: Colour = (0.13, 0.14, 0.15)
GLASS: Colour = (0.24, 0.32, 0.38)
SKIN_M = 0.08  # of a side


@place(
    "car",
    "A car with both side windows open, through from side to side",
    opening=Opening(width_m=0.85, height_m=0.46, sill_m=0.92, thickness_m=1.7),
    figures=[Figure(x_m=-2.9, z_m=1.0, heading_deg=150), Figure(x_m=3.2, z_m=5.0, heading_deg=140), Figure(x_m=1.6, z_m=-4.2, height_m=1.62)],
    beside_m=0.9,
    board_m=-1.75,
    least_m=0.6,
)
def car(gap: Opening) -> Iterator[Part]:
    """The gap is in the doors; its plane is the middle of the car, its thickness the car's width."""
    import shapely

    w, wide = gap.width_m / 2, gap.thickness_m
    belt, roof = max(gap.sill_m - 0.04, 0.55), gap.sill_m + gap.height_m + 0.11
    front, rear = w + 0.30, -w - 1.15  # where the cabin ends at belt height
    rise = roof - belt
    profile = shapely.Polygon(
        [
            (rear - 0.45, 0.30),
            (front + 1.35, 0.30),
            (front + 1.42, 0.55),
            (front + 1.25, belt - 0.10),
            (front + 0.35, belt + 0.02),
            (front - 0.02 - 0.1 * rise, roof - 0.02),
            (front - 0.25, roof),
            (rear + 0.45 * rise + 0.2, roof),
            (rear - 0.25, belt + 0.06),
            (rear - 0.52, belt - 0.02),
            (rear - 0.55, 0.5),
        ]
    )
    wheels = (rear + 0.18, front + 0.78)
    arches = shapely.union_all([shapely.Point(x, 0.31).buffer(0.37) for x in wheels])
    cabin = shapely.Polygon(
        [(front + 0.12, belt + 0.03), (front - 0.10 * rise - 0.09, roof - 0.09), (rear + 0.45 * rise + 0.25, roof - 0.09), (rear + 0.0, belt + 0.05)]
    )
    panes = cabin.difference(shapely.box(-w - 0.09, 0, w + 0.09, 50))
    side = profile.difference(arches).difference(around(gap, 0.04))
    ring = around(gap, 0.04).difference(outline(gap))
    seams = [shapely.box(x - 0.008, 0.36, x + 0.008, belt - 0.02) for x in (-w - 0.07, w + 0.07)]
    for out in (-1, 1):
        z = out * (wide / 2 - SKIN_M / 2)
        yield slab(side, thickness_m=SKIN_M, material="paint", tint=BODY).moved(z=z)
        yield slab(ring, thickness_m=SKIN_M, tint=DARK).moved(z=z)
        for shape, tint in [(panes, GLASS), (shapely.union_all(seams), DARK)]:
            for piece in shapely.get_parts(shape):
                yield slab(piece, thickness_m=0.012, tint=tint).moved(z=out * (wide / 2 + 0.004))
        if belt < gap.sill_m:
            yield box((0.17, 0.03, 0.02), foot=(-w + 0.06, belt - 0.17, out * (wide / 2 + 0.02)), tint=(0.80, 0.80, 0.80))
        yield box((0.10, 0.12, 0.18), foot=(w + 0.17, belt + 0.02, out * (wide / 2 + 0.10)), material="paint", tint=BODY)
        for x in wheels:
            yield from _wheel(x, out * (wide / 2 - 0.10), out)
    yield from _shell(gap, profile, arches, wide - 2 * SKIN_M, belt, roof)
    for out in (-1, 1):  # low seats with their backs down, a wheel and a dashboard, clear of the windows
        low = min(0.52, gap.sill_m - 0.2)
        if low > 0.38:
            yield box((0.5, low - 0.34, 0.5), foot=(-w + 0.15, 0.34, out * wide / 4), tint=(0.28, 0.28, 0.32))
    yield box((0.24, 0.16, wide - 0.2), foot=(front + 0.28, belt - 0.22, 0), tint=DARK)
    turn = np.linspace(0, 2 * math.pi, 25)
    yield tube(np.column_stack([w + 0.20 + 0.06 * np.sin(turn), belt - 0.20 + 0.15 * np.sin(turn), wide / 4 + 0.17 * np.cos(turn)]), 0.014, tint=DARK)
    for z, tint in ((0.55, (0.98, 0.97, 0.90)), (-0.55, (0.98, 0.97, 0.90))):
        yield box((0.06, 0.12, 0.28), foot=(front + 1.36, 0.58, z * wide / 1.7), tint=tint)
        yield box((0.06, 0.16, 0.22), foot=(rear - 0.53, 0.62, z * wide / 1.7), tint=(0.75, 0.08, 0.06))
    yield floor((-EDGE_M, -EDGE_M), (EDGE_M, EDGE_M), material="asphalt")
    yield from skyline()


def _shell(gap: Opening, profile: object, arches: object, wide: float, belt: float, roof: float) -> Iterator[Part]:
    """Bonnet, roof, tail and floor between the sides, with dark screens before and behind the cabin."""
    import shapely

    skin = profile.difference(profile.buffer(-0.045)).difference(arches).difference(around(gap, 0.01))  # type: ignore[attr-defined]
    x0, _, x1, _ = profile.bounds  # type: ignore[attr-defined]
    screens = shapely.box(x0, belt + 0.09, x1, roof - 0.05)
    for shape, tint, material in ((skin.difference(screens), BODY, "paint"), (skin.intersection(screens), GLASS, "")):
        for piece in shapely.get_parts(shape):
            yield slab(piece, thickness_m=wide, material=material, tint=tint)


def _wheel(x: float, z: float, out: int) -> list[Part]:
    return [
        tube([(x, 0.31, z - 0.10), (x, 0.31, z + 0.10)], 0.31, sides=24, tint=(0.10, 0.10, 0.11)),
        tube([(x, 0.31, z + out * 0.085), (x, 0.31, z + out * 0.108)], 0.19, sides=24, tint=(0.62, 0.63, 0.65)),
    ]
