"""Procedural textures with real sizes, so that speed and scale can be read off them.

Each material is a square or oblong tile that repeats without a seam: its size in metres, its picture
(first row at the top) made by a function with a fixed random state. Sizes are those things have:
bricks 225 x 75 mm with their joint, boards 125 mm, wall panels 1.2 m, floor lines every metre.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.scene.model import Bytes

Field = NDArray[np.float64]
PLAIN = ""  #: the material of parts that have a colour only


@dataclass(frozen=True, kw_only=True)
class Material:
    """A texture tile: its size across and up in metres, its raster, and the function that paints it."""

    tile_m: tuple[float, float]
    raster_px: tuple[int, int]
    paint: Callable[[int, int], Field]


MATERIALS: dict[str, Material] = {}


def material(name: str, *, tile_m: tuple[float, float], raster_px: tuple[int, int]) -> Callable[[Callable[[int, int], Field]], Callable[[int, int], Field]]:
    """Register a painter: (width, height) in pixels -> (height, width, 3) in 0..255."""

    def keep(paint: Callable[[int, int], Field]) -> Callable[[int, int], Field]:
        MATERIALS[name] = Material(tile_m=tile_m, raster_px=raster_px, paint=paint)
        return paint

    return keep


@lru_cache(maxsize=32)
def picture(name: str) -> Bytes:
    """The tile of a material, (H, W, 3) uint8."""
    kind = MATERIALS[name]
    out = np.clip(kind.paint(*kind.raster_px), 0, 255).astype(np.uint8)
    out.setflags(write=False)
    return out


def noise(width: int, height: int, *, grain: float, random: int, slope: float = 1.0, stretch: float = 1.0) -> Field:
    """Seamless noise (height, width) of mean 0 and deviation 1.

    Args:
        grain: size of its largest features as a share of the tile.
        random: state of the generator.
        slope: how fast finer features fade; 0 is white.
        stretch: above 1 draws features out upwards, below 1 sideways.
    """
    white = np.random.default_rng(random).standard_normal((height, width))
    down, across = np.fft.fftfreq(height)[:, None] * height, np.fft.rfftfreq(width) * width
    radius = np.hypot(across, down * stretch)
    weight = 1 / np.maximum(radius, 1 / grain) ** slope
    weight[0, 0] = 0
    out: Field = np.fft.irfft2(np.fft.rfft2(white) * weight, s=white.shape)
    out /= out.std()
    return out


def _tint(colour: ArrayLike, amount: Field) -> Field:
    out: Field = np.asarray(colour, dtype=np.float64) * (1 + amount[..., None])
    return out


def _metres(width: int, height: int, tile_m: tuple[float, float]) -> tuple[Field, Field]:
    """Pixel centres in metres: across (1, W) and up from the tile's foot (H, 1)."""
    x = (np.arange(width) + 0.5)[None, :] * tile_m[0] / width
    y = (height - np.arange(height) - 0.5)[:, None] * tile_m[1] / height
    return x, y


def _near(value: Field, every_m: float, width_m: float, blur_m: float) -> Field:
    """1 on lines of the given width at each multiple, fading to 0 over ``blur_m``."""
    off = np.abs((value + every_m / 2) % every_m - every_m / 2)
    out: Field = np.clip((width_m / 2 - off) / blur_m + 0.5, 0, 1)
    return out


def _mix(under: Field, colour: ArrayLike, share: Field) -> Field:
    out: Field = under + (np.asarray(colour, dtype=np.float64) - under) * share[..., None]
    return out


@material("brick", tile_m=(2.25, 2.25), raster_px=(512, 512))
def _brick(width: int, height: int) -> Field:
    x, y = _metres(width, height, (2.25, 2.25))
    course = np.floor(y / 0.075).astype(int)
    x = x + np.where(course % 2, 0.1125, 0.0)
    column = np.floor(x / 0.225).astype(int) % 10
    shade = np.random.default_rng(3).normal(0, 0.13, (30, 10))[course % 30, column]
    hue = np.random.default_rng(4).normal(0, 0.05, (30, 10, 1))[course % 30, column]
    base = np.array([190.0, 108.0, 82.0]) * (1 + hue * np.array([-0.5, 1.0, 1.2]))
    base = base * (1 + shade + 0.07 * noise(width, height, grain=0.02, random=5, slope=0.5))[..., None]
    pixel = 2.25 / width
    joint = np.maximum(_near(x, 0.225, 0.011, pixel), np.broadcast_to(_near(y, 0.075, 0.011, pixel), (height, width)))
    base = _mix(base, (214, 206, 192), joint)
    return base * (1 + 0.05 * noise(width, height, grain=0.5, random=6, slope=1.2))[..., None]


@material("concrete", tile_m=(2.4, 2.4), raster_px=(512, 512))
def _concrete(width: int, height: int) -> Field:
    x, y = _metres(width, height, (2.4, 2.4))
    base = _tint((200, 198, 190), 0.05 * noise(width, height, grain=0.5, random=11, slope=1.3) + 0.02 * noise(width, height, grain=0.02, random=12, slope=0.3))
    streaks = np.clip(noise(width, height, grain=0.12, random=13, slope=1.6, stretch=0.12) - 0.6, 0, 2)
    base = base * (1 - 0.055 * streaks[..., None])
    joint = np.maximum(_near(x, 2.4, 0.022, 0.006) + 0 * y, _near(y, 1.2, 0.022, 0.006) + 0 * x)
    base = _mix(base, (112, 110, 106), 0.85 * joint)
    for cx in (0.4, 1.2, 2.0):
        for cy in (0.3, 0.9, 1.5, 2.1):
            base = _mix(base, (96, 94, 90), np.clip((0.022 - np.hypot(x - cx, y - cy)) / 0.006 + 0.5, 0, 1))
    return base


@material("plaster", tile_m=(2.0, 2.0), raster_px=(384, 384))
def _plaster(width: int, height: int) -> Field:
    patches = noise(width, height, grain=0.4, random=21, slope=1.5)
    base = _tint((226, 220, 202), 0.035 * patches + 0.015 * noise(width, height, grain=0.02, random=22, slope=0.2))
    worn = np.clip((noise(width, height, grain=0.25, random=23, slope=1.3) - 1.75) * 4, 0, 1)
    return _mix(base, (168, 146, 122), 0.8 * worn)


@material("boards", tile_m=(1.0, 2.0), raster_px=(256, 512))
def _boards(width: int, height: int) -> Field:
    x, y = _metres(width, height, (1.0, 2.0))
    shade = np.random.default_rng(31).normal(0, 0.1, 8)[np.floor(x / 0.125).astype(int) % 8]
    grain = noise(width, height, grain=0.1, random=32, slope=0.9, stretch=12)
    base = _tint((184, 142, 98), shade + 0.09 * grain)
    base = _mix(base, (62, 46, 32), _near(x, 0.125, 0.007, 1 / width) + 0 * y)
    return base


@material("bark", tile_m=(0.6, 1.2), raster_px=(256, 512))
def _bark(width: int, height: int) -> Field:
    ridge = noise(width, height, grain=0.12, random=41, slope=0.9, stretch=3.5)
    base = _tint((152, 126, 98), 0.05 * noise(width, height, grain=0.4, random=42, slope=1.2) + 0.20 * np.tanh(ridge))
    fissure = np.clip(-ridge - 0.9, 0, 1)
    base = _mix(base, (58, 46, 36), 0.9 * fissure)
    moss = np.clip(noise(width, height, grain=0.4, random=43, slope=1.4) - 0.9, 0, 1)
    return _mix(base, (108, 122, 62), 0.5 * moss)


@material("panel", tile_m=(1.2, 1.2), raster_px=(256, 256))
def _panel(width: int, height: int) -> Field:
    x, y = _metres(width, height, (1.2, 1.2))
    base = _tint((226, 226, 224), 0.02 * noise(width, height, grain=0.5, random=51, slope=1.4))
    seam = np.maximum(_near(x, 1.2, 0.014, 0.005) + 0 * y, _near(y, 0.6, 0.014, 0.005) + 0 * x)
    return _mix(base, (120, 122, 124), seam)


@material("paint", tile_m=(1.0, 1.0), raster_px=(128, 128))
def _paint(width: int, height: int) -> Field:
    return _tint((240, 240, 240), 0.02 * noise(width, height, grain=0.3, random=61, slope=1.0))


@material("front", tile_m=(3.0, 3.0), raster_px=(192, 192))
def _front(width: int, height: int) -> Field:
    """A house front seen from afar: one window to a storey of 3 m."""
    x, y = _metres(width, height, (3.0, 3.0))
    base = _tint((226, 216, 196), 0.03 * noise(width, height, grain=0.3, random=55, slope=1.3))
    soft = 3.0 / width
    for half_w, half_h, colour in ((0.62, 0.87, (238, 236, 230)), (0.52, 0.75, (70, 84, 98))):
        inside = np.minimum(half_w - np.abs(x - 1.5), half_h - np.abs(y - 1.6))
        base = _mix(base, colour, np.clip(inside / soft + 0.5, 0, 1))
    return _mix(base, (238, 236, 230), np.clip((0.03 - np.abs(x - 1.5)) / soft + 0.5, 0, 1) * (np.abs(y - 1.6) < 0.75))


@material("rust", tile_m=(2.0, 2.0), raster_px=(384, 384))
def _rust(width: int, height: int) -> Field:
    base = _tint((232, 234, 224), 0.03 * noise(width, height, grain=0.2, random=71, slope=1.2))
    flake = np.clip((noise(width, height, grain=0.08, random=72, slope=1.1) - 0.55) * 2.5, 0, 1)
    return _mix(base, (156, 92, 54), 0.85 * flake)


@material("glass", tile_m=(4.0, 4.0), raster_px=(640, 640))
def _glass(width: int, height: int) -> Field:
    """Old whitewashed glass: pale green-blue, grimy, run-down streaks."""
    base = _tint((204, 224, 218), 0.04 * noise(width, height, grain=0.12, random=81, slope=1.4))
    wash = np.clip(noise(width, height, grain=0.08, random=82, slope=1.4, stretch=0.25), 0, 2)
    base = _mix(base, (240, 244, 240), 0.25 * wash)
    grime = np.clip(noise(width, height, grain=0.1, random=83, slope=1.2) - 0.7, 0, 1.5)
    return _mix(base, (140, 152, 116), 0.4 * grime)


@material("leaves", tile_m=(4.8, 4.8), raster_px=(512, 512))
def _leaves(width: int, height: int) -> Field:
    light = noise(width, height, grain=0.02, random=91, slope=0.6)
    return _tint((112, 142, 70), 0.28 * np.tanh(light) + 0.1 * noise(width, height, grain=0.2, random=92, slope=1.2))


@material("wood", tile_m=(24.0, 12.0), raster_px=(512, 256))
def _wood(width: int, height: int) -> Field:
    """A wood seen from afar."""
    crowns = noise(width, height, grain=0.08, random=95, slope=1.0)
    return _tint((118, 142, 92), 0.16 * np.tanh(crowns) + 0.05 * noise(width, height, grain=0.5, random=96, slope=1.2))


def _ruled(base: Field, *, thin: ArrayLike, strong: ArrayLike) -> Field:
    """A 5 m floor tile with its lines: thin each metre, strong where tiles meet."""
    height, width = base.shape[:2]
    x, y = _metres(width, height, (5.0, 5.0))
    pixel = 5.0 / width
    base = _mix(base, thin, 0.8 * np.maximum(_near(x, 1.0, 0.030, pixel) + 0 * y, _near(y, 1.0, 0.030, pixel) + 0 * x))
    return _mix(base, strong, np.maximum(_near(x, 5.0, 0.11, pixel) + 0 * y, _near(y, 5.0, 0.11, pixel) + 0 * x))


@material("asphalt", tile_m=(5.0, 5.0), raster_px=(1024, 1024))
def _asphalt(width: int, height: int) -> Field:
    grit = noise(width, height, grain=0.004, random=101, slope=0.2)
    base = _tint((136, 136, 138), 0.05 * noise(width, height, grain=0.3, random=102, slope=1.3) + 0.07 * grit)
    return _ruled(base, thin=(216, 216, 210), strong=(255, 222, 80))


@material("earth", tile_m=(5.0, 5.0), raster_px=(1024, 1024))
def _earth(width: int, height: int) -> Field:
    blend = np.clip(0.5 + 0.6 * noise(width, height, grain=0.25, random=111, slope=1.3), 0, 1)
    base = _mix(np.broadcast_to(np.array([158.0, 138.0, 106.0]), (height, width, 3)), (132, 148, 88), blend)
    base = base * (1 + 0.13 * noise(width, height, grain=0.01, random=112, slope=0.5))[..., None]
    return _ruled(base, thin=(226, 222, 202), strong=(255, 232, 110))


@material("slabs", tile_m=(5.0, 5.0), raster_px=(1024, 1024))
def _slabs(width: int, height: int) -> Field:
    """Concrete floor slabs for inside."""
    base = _tint(
        (178, 174, 166), 0.06 * noise(width, height, grain=0.3, random=121, slope=1.3) + 0.03 * noise(width, height, grain=0.01, random=122, slope=0.3)
    )
    stain = np.clip(noise(width, height, grain=0.2, random=123, slope=1.5) - 0.9, 0, 1.5)
    base = _mix(base, (134, 128, 114), 0.35 * stain)
    return _ruled(base, thin=(244, 243, 236), strong=(255, 214, 60))
