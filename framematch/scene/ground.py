"""The ground with its 1 m and 5 m lines, distance figures, and what stands on the horizon."""

from __future__ import annotations

import math

import numpy as np

from framematch.scene.build import LABEL, label_aspect
from framematch.scene.parts import Part, body, box, sheet

EDGE_M = 60.0
FIGURES_M = (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 15, 20, 25, 30, 40)


def floor(low: tuple[float, float], high: tuple[float, float], *, material: str = "asphalt", y_m: float = 0.0) -> Part:
    """A level floor from (x, z) to (x, z); lines lie on whole metres of x and z, stronger ones on every fifth."""
    (x0, z0), (x1, z1) = low, high
    return body([(x0, y_m, z1), (x1, y_m, z1), (x1, y_m, z0), (x0, y_m, z0)], [(0, 1, 2), (0, 2, 3)], material)


def floor_with_room(low: tuple[float, float], high: tuple[float, float], *, inside: str, outside: str) -> list[Part]:
    """The whole ground with another material in one rectangle of it."""
    (x0, z0), (x1, z1) = low, high
    e = EDGE_M
    strips = [((-e, -e), (e, z0)), ((-e, z1), (e, e)), ((-e, z0), (x0, z1)), ((x1, z0), (e, z1))]
    return [floor(low, high, material=inside), *(floor(a, b, material=outside) for a, b in strips)]


def skyline(*, random: int = 7) -> list[Part]:
    """Trees and low roofs all round at the ground's edge, so that there is a horizon to read height and heading from."""
    dice = np.random.default_rng(random)
    turns, radius = 72, EDGE_M - 4
    tops = 3.5 + 3.5 * np.abs(np.sin(np.arange(turns) * 0.7)) * dice.uniform(0.5, 1.0, turns)
    angle = np.arange(turns) * 2 * math.pi / turns
    foot = np.column_stack([radius * np.sin(angle), np.zeros(turns), -radius * np.cos(angle)])
    head = foot * (1.02, 1, 1.02) + np.column_stack([np.zeros(turns), tops, np.zeros(turns)])
    crown = foot * (0.97, 1, 0.97) + np.column_stack([np.zeros(turns), tops * 0.55, np.zeros(turns)])
    i, j = np.arange(turns), np.roll(np.arange(turns), -1)
    n = turns
    quads = [(i, j, j + 2 * n, i + 2 * n), (i + 2 * n, j + 2 * n, j + n, i + n)]
    faces = np.concatenate([np.stack(f, 1) for a, b, c, d in quads for f in ((a, b, c), (a, c, d))])
    parts = [body(np.concatenate([foot, head, crown]), faces, "wood")]
    for turn, width, height, tint in (
        (24, 9, 6, (1.0, 0.90, 0.78)),
        (100, 12, 6, (0.88, 0.86, 0.88)),
        (205, 9, 9, (0.98, 0.84, 0.76)),
        (318, 9, 6, (0.90, 0.90, 0.80)),
    ):
        block = box((width, height, 6), foot=(1.5 * (width % 2), 0, 0), material="front", tint=tint)
        a = math.radians(turn)
        parts.append(block.turned(heading_deg=turn).moved(48 * math.sin(a), 0, -48 * math.cos(a)))
    return parts


def distance_figures(*, beside_m: float, board_m: float, far_m: float = 40.0, beyond_m: float = 20.0) -> list[Part]:
    """How far it is to the gap's plane, in metres, on both sides of it.

    Plates on the floor at each metre to ten and fewer after, read by someone who flies along -Z;
    boards on posts at every fifth metre of the approach.

    Args:
        beside_m: x of the plates' middles.
        board_m: x of the boards' middles.
        far_m, beyond_m: how far they go before and behind the gap.
    """
    parts: list[Part] = []
    for metres in FIGURES_M:
        for z in (float(metres), -float(metres)):
            if z > far_m or -z > beyond_m:
                continue
            strong = metres % 5 == 0
            text, deep = (f"{metres} m", 0.44) if strong else (f"{metres}", 0.30)
            wide = deep * 0.62 * label_aspect(text)
            lying = sheet([(-wide / 2, 0, deep / 2), (wide / 2, 0, deep / 2), (wide / 2, 0, -deep / 2), (-wide / 2, 0, -deep / 2)], material=LABEL + text)
            parts.append(lying.moved(beside_m, 0.008, z))
            if strong and z > 0:
                parts += _board(text, x=board_m, z=z)
    return parts


def _board(text: str, *, x: float, z: float) -> list[Part]:
    high = 0.26
    wide, foot = high * label_aspect(text), 0.62
    face = sheet([(-wide / 2, 0, 0), (wide / 2, 0, 0), (wide / 2, high, 0), (-wide / 2, high, 0)], material=LABEL + text)
    back = box((wide, high, 0.02), tint=(0.2, 0.2, 0.18))
    post = box((0.05, foot, 0.05), tint=(0.25, 0.25, 0.24))
    return [face.moved(x, foot, z + 0.02), back.moved(x, foot, z), post.moved(x, 0, z)]
