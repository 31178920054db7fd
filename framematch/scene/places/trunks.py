"""A stand of trees: two trunks and what has fallen across them frame the gap."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from framematch.scene.ground import EDGE_M, floor, skyline
from framematch.scene.model import Floats
from framematch.scene.opening import around
from framematch.scene.parts import Part, ball, tube
from framematch.scene.people import Figure
from framematch.scene.registry import place
from framematch.shot.opening import Opening

LOG_M = 0.14  # radius of what lies across


@place(
    "trunks",
    "A stand of trunks, one fallen across the gap",
    opening=Opening(width_m=1.3, height_m=2.0, thickness_m=0.44, sill_m=0.0),
    figures=[Figure(x_m=-1.75, z_m=1.4, heading_deg=150), Figure(x_m=2.6, z_m=6.0, heading_deg=140), Figure(x_m=1.3, z_m=-5.0, height_m=1.62)],
    beside_m=0.8,
    board_m=-1.75,
    least_m=0.12,
    rim=0.0,
)
def trunks(gap: Opening) -> Iterator[Part]:
    yield from _frame(gap)
    dice = np.random.default_rng(17)
    clear = gap.width_m / 2 + 0.9
    stood: list[tuple[float, float]] = []
    while len(stood) < 46:
        x, z = dice.uniform(-16, 16), dice.uniform(-24, 16)
        if abs(x) < clear + (0.5 if z > 0 else 0.0) or any(math.hypot(x - a, z - b) < 1.7 for a, b in stood) or (abs(z) < 1.2 and abs(x) < clear + 1.0):
            continue
        if z > 0 and abs(x) < 3.4:  # people and boards stand here
            continue
        stood.append((x, z))
        yield from _tree(x, z, float(dice.uniform(0.11, 0.26)), dice)
    yield floor((-EDGE_M, -EDGE_M), (EDGE_M, EDGE_M), material="earth")
    yield from skyline()


def _frame(gap: Opening) -> Iterator[Part]:
    """Trunks beside the gap; logs over and under it, or a bent bough round it if it is not a rectangle."""
    w, r = gap.width_m / 2, gap.thickness_m / 2
    top = gap.sill_m + gap.height_m
    for side in (-1, 1):
        x = side * (w + r)
        tall = max(8.0, top + 3.5)
        rows = np.linspace(0, 1, 9)
        lean = 0.35 * side * np.clip((rows * tall - top - 0.6) / tall, 0, None)
        yield tube(
            np.column_stack([x + lean, rows * tall, 0 * rows]), r * np.interp(rows * tall, [0, top + 0.5, tall], [1.0, 1.0, 0.55]), material="bark", sides=20
        )
        yield from _crown(x + float(lean[-1]), tall, 0.0, 1.5 + side * 0.2)
    reach = w + gap.thickness_m + 0.7
    if gap.shape == "rectangle":
        along = np.linspace(-reach - 0.5, reach + 2.2, 10)  # its underside lies level on the trunks' stumps of branches
        radii = np.linspace(1.25, 0.62, 10) * LOG_M
        yield tube(np.column_stack([along, top + radii, 0 * along]), radii, sides=16, material="bark", tint=(0.86, 0.84, 0.80))
        if gap.sill_m > 0:
            thick = min(LOG_M, gap.sill_m / 2)
            for low in np.arange(gap.sill_m - thick, 0, -2 * thick):
                yield tube([(-reach, low, 0), (reach, low, 0)], thick, sides=16, material="bark", tint=(0.90, 0.88, 0.84))
        return
    yield from _bough(np.array(around(gap, LOG_M).exterior.coords), gap)


def _bough(ring: Floats, gap: Opening) -> Iterator[Part]:
    import shapely

    line = shapely.LineString(ring)
    if gap.sill_m <= LOG_M:  # nothing lies on the ground across the run
        line = shapely.line_merge(line.difference(shapely.box(-1e3, -1, 1e3, 1e-6)))
    coords = np.asarray(line.coords)
    dense = np.array([line.interpolate(d).coords[0] for d in np.linspace(0, line.length, max(40, len(coords)))])
    yield tube(np.column_stack([dense, np.zeros(len(dense))]), LOG_M, sides=16, material="bark", tint=(0.86, 0.84, 0.80))


def _tree(x: float, z: float, radius: float, dice: np.random.Generator) -> Iterator[Part]:
    tall = float(dice.uniform(7, 10))
    bend = dice.normal(0, 0.25, 2)
    rows = np.linspace(0, 1, 8)
    path = np.column_stack([x + bend[0] * rows**2, rows * tall, z + bend[1] * rows**2])
    yield tube(path, radius * (1.25 - 0.6 * rows), material="bark", sides=12)
    yield from _crown(x + float(bend[0]), tall, z + float(bend[1]), float(dice.uniform(1.2, 1.9)))


def _crown(x: float, y: float, z: float, size: float) -> Iterator[Part]:
    yield ball((size, size * 0.8, size), centre=(x, y + 0.2, z), material="leaves")
    yield ball((size * 0.7, size * 0.5, size * 0.7), centre=(x + size * 0.5, y - 0.7, z + 0.3), material="leaves", tint=(0.85, 0.92, 0.8))
