"""A shot seen from above: walls cut at the height of the opening's middle, the opening, and the way that is flown.

The picture's upper edge is ahead (-z), its right edge is scene +x: as a run with heading 0 flies it.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.guide.shown import amount, unit
from framematch.output.drawing import Inks
from framematch.scene.cut import level_cut
from framematch.scene.model import Scene
from framematch.shot.shot import Shot
from framematch.text.typeface import pillow_font

Floats = NDArray[np.float64]

WIDTH_PX = 1000  # about half as much again as a laptop shows; a phone shows a third
_FINE = 2  # drawn so many times larger, then made smaller
_ROOM_M = 2.0
_MOST_M = 60.0  # each way from what is flown, however large a scan is
_LOW_M = 0.3  # above the ground: what stands lower than the opening is drawn faintly
_SHAPES = 1.35, 2.4  # width over height, at least and at most
_FROM_M, _TO_M = 8.0, -6.0  # of a straight run, before the opening


@dataclass(frozen=True, kw_only=True)
class Plan:
    """The picture, a PNG file, and what of the scene it shows.

    Args:
        left_m, ahead_m: x and z at the top left corner.
        wide_m, deep_m: how much it shows.
    """

    png: bytes
    left_m: float
    ahead_m: float
    wide_m: float
    deep_m: float

    def at(self, share: tuple[float, float]) -> tuple[float, float]:
        """Scene x and z at a place of the picture, given as shares across and down."""
        return self.left_m + share[0] * self.wide_m, self.ahead_m + share[1] * self.deep_m

    def share(self, x_m: float, z_m: float) -> tuple[float, float]:
        """Where a place of the scene lies in the picture."""
        return (x_m - self.left_m) / self.wide_m, (z_m - self.ahead_m) / self.deep_m


def way_m(shot: Shot) -> Floats:
    """The way (n, 3) of the recording camera, metres in scene axes."""
    flown = shot.flown
    if flown is None:
        return np.asarray(shot.scene_from_recording(np.linspace(_FROM_M, _TO_M, 2)).translation_m)
    return np.asarray(flown.recording(np.linspace(0.0, flown.duration_s, 160)).translation_m)


def plan_of(shot: Shot, scene: Scene, inks: Inks) -> Plan:
    """Draw it.

    Raises:
        InputError: the shot has no opening, or a path that can't be flown.
    """
    from PIL import Image, ImageDraw

    way = way_m(shot)
    left, ahead, wide, deep = _reach(shot, scene, way)
    width, height = WIDTH_PX * _FINE, round(WIDTH_PX * deep / wide) * _FINE
    scale = width / wide
    picture = Image.new("RGB", (width, height), inks.ground)
    pen = ImageDraw.Draw(picture)

    def px(points_m: Floats) -> list[tuple[float, float]]:
        return [((x - left) * scale, (z - ahead) * scale) for x, z in points_m]

    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200) if wide * amount(1.0, "m") / s <= 16)
    every_m = step / amount(1.0, "m")
    for first, length, across in ((left, wide, True), (ahead, deep, False)):
        for line in range(math.ceil(first / every_m), math.floor((first + length) / every_m) + 1):
            at = (line * every_m - first) * scale
            pen.line([(at, 0), (at, height)] if across else [(0, at), (width, at)], fill=_between(inks.ground, inks.quiet, 0.22), width=_FINE)
    middle = float(shot.opening.scene_from_opening.translation_m[1])
    for y, ink, thick in ((scene.ground_m + _LOW_M, _between(inks.ground, inks.quiet, 0.6), 2), (middle, inks.ink, 5)):
        for piece in level_cut(scene.surface, y):
            pen.line(px(piece), fill=ink, width=thick * _FINE)
    pen.line(px(way[:, [0, 2]]), fill=inks.second, width=4 * _FINE, joint="curve")
    for opening in shot.openings:
        pose = opening.scene_from_opening
        ends = pose.points([[-opening.width_m / 2, 0, 0], [opening.width_m / 2, 0, 0]])[:, [0, 2]]
        pen.line(px(ends), fill=inks.accent, width=8 * _FINE)
        long = max(0.4, 0.05 * wide)
        tip = pose.points(np.array([(0, 0, 0), (0, 0, 1), (-0.25, 0, 0.7), (0, 0, 1), (0.25, 0, 0.7)]) * long)[:, [0, 2]]
        pen.line(px(tip), fill=inks.accent, width=4 * _FINE)
    _scale_bar(pen, picture.size, every_m * scale, f"{step} {unit('m')}", inks)
    out = io.BytesIO()
    picture.resize((width // _FINE, height // _FINE), Image.Resampling.BOX).quantize(64).save(out, "PNG")
    return Plan(png=out.getvalue(), left_m=left, ahead_m=ahead, wide_m=wide, deep_m=deep)


def _reach(shot: Shot, scene: Scene, way: Floats) -> tuple[float, float, float, float]:
    """Left and ahead edge, width and depth: all that is flown and who stands there, and a scan of one's own as far as it is not huge."""
    spots = [way]
    for opening in shot.openings:
        spots.append(opening.scene_from_opening.points([[s * opening.width_m / 2, 0, 0] for s in (-1, 1)]))
    spots += [shot.opening.scene_from_opening.points(subject.points_m(shot.opening)) for subject in shot.subjects]
    every = np.concatenate(spots)[:, [0, 2]]
    low, high = every.min(axis=0), every.max(axis=0)
    if shot.place.file is not None:
        own = scene.surface.bounds[:, [0, 2]]
        low, high = np.minimum(low, np.maximum(own[0], low - _MOST_M)), np.maximum(high, np.minimum(own[1], high + _MOST_M))
    low, high = np.floor(low - _ROOM_M), np.ceil(high + _ROOM_M)
    wide, deep = high - low
    if wide < _SHAPES[0] * deep:
        low[0], wide = low[0] - (_SHAPES[0] * deep - wide) / 2, _SHAPES[0] * deep
    elif wide > _SHAPES[1] * deep:
        low[1], deep = low[1] - (wide / _SHAPES[1] - deep) / 2, wide / _SHAPES[1]
    return float(low[0]), float(low[1]), float(wide), float(deep)


def _scale_bar(draw: Any, size: tuple[int, int], long: float, words: str, inks: Inks) -> None:
    x, y = 14 * _FINE, size[1] - 14 * _FINE
    font = pillow_font(30 * _FINE)
    draw.rectangle((x - 8 * _FINE, y - 44 * _FINE, x + max(long, draw.textlength(words, font=font)) + 8 * _FINE, y + 8 * _FINE), fill=inks.ground)
    draw.line([(x, y), (x + long, y)], fill=inks.ink, width=3 * _FINE)
    for at in (x, x + long):
        draw.line([(at, y - 5 * _FINE), (at, y + 5 * _FINE)], fill=inks.ink, width=3 * _FINE)
    draw.text((x, y - 42 * _FINE), words, fill=inks.ink, font=font)


def _between(one: str, other: str, share: float) -> str:
    """A colour between two, as #rrggbb."""
    a, b = ([int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in (one, other))
    return "#" + "".join(f"{round(x + (y - x) * share):02x}" for x, y in zip(a, b, strict=True))
