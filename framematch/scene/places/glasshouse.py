"""A derelict glasshouse: one pane of its gable is missing."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from framematch.scene.ground import floor_with_room, skyline
from framematch.scene.model import Floats
from framematch.scene.opening import around, outline
from framematch.scene.parts import Part, ball, box, cylinder, slab, span
from framematch.scene.people import Figure
from framematch.scene.registry import place
from framematch.shot.opening import Opening

if TYPE_CHECKING:
    import shapely

LONG_M = 18.0
BAR_M = 0.045


@place(
    "glasshouse",
    "A derelict glasshouse with a missing pane in its gable",
    opening=Opening(width_m=1.2, height_m=0.9, sill_m=1.1, thickness_m=0.06),
    figures=[Figure(x_m=-1.5, z_m=0.9, heading_deg=160), Figure(x_m=2.8, z_m=5.5, heading_deg=140), Figure(x_m=0.85, z_m=-6.0, height_m=1.62)],
    beside_m=0.8,
    board_m=-1.75,
)
def glasshouse(gap: Opening) -> Iterator[Part]:
    import shapely

    w = gap.width_m / 2
    half = max(3.6, w + 2.0)
    eaves = max(2.5, gap.sill_m + gap.height_m + 0.35)
    ridge, base = eaves + 0.42 * half, min(0.7, gap.sill_m)
    slope = math.hypot(half, ridge - eaves)
    pitch = math.degrees(math.atan2(ridge - eaves, half))
    dice = np.random.default_rng(29)
    gable = shapely.Polygon([(-half, base), (half, base), (half, eaves), (0, ridge), (-half, eaves)])
    columns = _steps(-half, half, [-w - BAR_M, w + BAR_M], 0.72)
    rows = _steps(base, ridge, [gap.sill_m - BAR_M, gap.sill_m + gap.height_m + BAR_M], 0.9)
    keep_out = around(gap, BAR_M)
    yield from _glazed(gable, columns, rows, dice, keep_out=keep_out, broken=0.16, gone=0.05)
    yield slab(keep_out.difference(outline(gap)), thickness_m=gap.thickness_m, material="rust")
    door = shapely.box(-0.55, 0, 0.55, 2.1)
    back = gable.union(shapely.box(-0.6, 0, 0.6, base + 0.01)).difference(door)
    for part in _glazed(back, _steps(-half, half, [-0.57, 0.57], 0.72), _steps(base, ridge, [2.12], 0.9), dice, broken=0.16, gone=0.1):
        yield part.moved(z=-LONG_M)
    along = shapely.box(0, base, LONG_M, eaves)
    for side in (-1, 1):
        for part in _glazed(along, _steps(0, LONG_M, [], 0.72), _steps(base, eaves, [], 0.9), dice, broken=0.12, gone=0.06):
            yield part.turned(heading_deg=-90).moved(side * half, 0, 0)
        leaf = shapely.box(0, 0, LONG_M, slope)
        for part in _glazed(leaf, _steps(0, LONG_M, [], 0.72), _steps(0, slope, [], 1.1), dice, broken=0.12, gone=0.14):
            # stands at z = 0 along x, leans back onto the slope, then runs along the house
            leaned = part.turned(pitch_deg=-(90 - pitch))
            yield (leaned.moved(x=-LONG_M).turned(heading_deg=90) if side < 0 else leaned.turned(heading_deg=-90)).moved(side * half, eaves, 0)
        x0, x1 = sorted((side * half, side * (half - 0.24)))
        yield span((x0 - (0.02 if side < 0 else -0.0), 0, -LONG_M), (x1 + (0.02 if side > 0 else 0.0), base, 0.0), material="brick")
    if base > 0.05:
        yield span((-half - 0.02, 0, -0.12), (half + 0.02, base, 0.12), material="brick")
        for x0, x1 in ((-half, -0.6), (0.6, half)):
            yield span((x0, 0, -LONG_M - 0.12), (x1, base, -LONG_M + 0.12), material="brick")
    yield from _inside(half, gap, dice)
    for x, z, size in ((-half - 1.2, -1.5, 1.1), (half + 1.0, -3.4, 1.3), (-half - 1.6, -7.0, 1.5), (half + 1.6, 0.6, 0.8), (half + 1.5, -11.0, 1.7)):
        yield ball((size, size * 0.8, size), centre=(x, size * 0.45, z), material="leaves")
    yield from floor_with_room((-half, -LONG_M), (half, 0.0), inside="slabs", outside="earth")
    yield from skyline()


def _inside(half: float, gap: Opening, dice: np.random.Generator) -> Iterator[Part]:
    """Benches along both sides with pots and what still grows; ties across high up."""
    aisle = max(0.95, gap.width_m / 2 + 0.35)
    wide = half - aisle - 0.4
    if wide < 0.4:
        return
    for side in (-1, 1):
        for z in np.arange(-LONG_M + 1.6, -2.0, 3.0):
            x = side * (aisle + 0.15 + wide / 2)
            yield box((wide, 0.05, 2.5), foot=(x, 0.72, z), material="boards", tint=(0.86, 0.86, 0.82))
            for dx in (-wide / 2 + 0.06, wide / 2 - 0.06):
                for dz in (-1.1, 1.1):
                    yield box((0.06, 0.72, 0.06), foot=(x + dx, 0, z + dz), material="rust")
            for dz in dice.uniform(-1.05, 1.05, 4):
                px, size = x + float(dice.uniform(-0.4, 0.4)) * wide, float(dice.uniform(0.09, 0.15))
                yield cylinder(radius_m=size, height_m=1.7 * size, foot=(px, 0.77, z + dz), sides=12, tint=(0.76, 0.42, 0.28))
                if dice.random() < 0.6:
                    tint = (1.0, 1.0, 0.9) if dice.random() < 0.6 else (1.45 * 0.68, 0.84, 0.55)
                    yield ball((1.5 * size, 1.3 * size, 1.5 * size), centre=(px, 0.77 + 2.8 * size, z + dz), material="leaves", tint=tint, finer=1)


def _steps(low: float, high: float, fixed: list[float], about: float) -> Floats:
    """Bar positions from low to high through the fixed ones, as even as they allow."""
    stops = [low, *[f for f in fixed if low + 0.05 < f < high - 0.05], high]
    return np.unique(np.concatenate([np.linspace(a, b, max(1, round((b - a) / about)) + 1) for a, b in pairwise(stops)]).round(6))


def _glazed(
    shape: shapely.Polygon, columns: Floats, rows: Floats, dice: np.random.Generator, *, keep_out: shapely.Polygon | None = None, broken: float, gone: float
) -> Iterator[Part]:
    """Bars with panes between them in the plane z = 0; some panes broken, some gone."""
    import shapely

    inner = shape.buffer(-BAR_M, join_style="mitre")
    if keep_out is not None:
        inner = inner.difference(keep_out)
    cells = []
    for x0, x1 in pairwise(columns):
        for y0, y1 in pairwise(rows):
            cell = shapely.box(x0 + BAR_M / 2, y0 + BAR_M / 2, x1 - BAR_M / 2, y1 - BAR_M / 2).intersection(inner)
            cells += [c for c in shapely.get_parts(cell) if c.area > 0.004 and c.geom_type == "Polygon"]
    frame = shape.difference(shapely.union_all(cells))
    if keep_out is not None:
        frame = frame.difference(keep_out)
    for piece in shapely.get_parts(frame):
        if piece.area > 1e-5:
            yield slab(piece, thickness_m=0.05, material="rust")
    for cell in cells:
        luck = dice.random()
        if luck < gone:
            continue
        glass = cell.buffer(0.004, join_style="mitre") if keep_out is None else cell
        if luck < gone + broken:
            glass = glass.difference(_hole(glass, dice))
        for piece in shapely.get_parts(glass):
            if piece.geom_type == "Polygon" and piece.area > 1e-4:
                shade = float(dice.uniform(0.86, 1.0))
                yield slab(piece, thickness_m=0.006, material="glass", tint=(shade, shade, shade))


def _hole(cell: shapely.Polygon, dice: np.random.Generator) -> shapely.Polygon:
    """A jagged hole somewhere in a pane."""
    import shapely

    x0, y0, x1, y1 = cell.bounds
    n = 11
    angle = np.sort(dice.uniform(0, 2 * math.pi, n))
    far = dice.uniform(0.25, 0.62, n) * np.where(np.arange(n) % 2, 1.0, 0.6)
    centre = (dice.uniform(0.3, 0.7) * (x1 - x0) + x0, dice.uniform(0.3, 0.7) * (y1 - y0) + y0)
    points = np.column_stack([centre[0] + far * np.cos(angle) * (x1 - x0), centre[1] + far * np.sin(angle) * (y1 - y0)])
    return shapely.Polygon(points).buffer(0)
