"""Lens maps (ST maps): for every pixel of one picture, where in another picture it comes from.

Channels are 32-bit floats: S and T in 0..1 over the source picture, S from its left edge, T from its
bottom edge (or from its top edge, as asked), at pixel centres; the third is 1 where the lens images
the place and 0 elsewhere, where S and T are -1. A map is read at the middle of each of its pixels.

Two maps belong together: *straight* gives the undistorted picture from the display (or recorded)
picture, *bent* the way back. The undistorted picture is that of a rectilinear lens on the same axis.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.geometry.camera import Floats, Mask
from framematch.geometry.pairing import Pairing
from framematch.text.whole import written_whole

Map = NDArray[np.float32]

PICTURES = ("display", "recording")
FORMATS = ("tiff", "exr")
WAYS = ("straight", "bent")
MOST_PIXELS = 85_000_000  # the largest recording rasters have 80 million
TALLEST = 4.0
_ROWS = 64  # rows worked on at once


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A picture with its lens: size in pixels, and the map between rays and pixels both ways."""

    raster_px: tuple[int, int]
    project: Callable[[ArrayLike], tuple[Floats, Mask]]
    unproject: Callable[[ArrayLike], tuple[Floats, Mask]]


def bent_picture(pairing: Pairing, which: str) -> Picture:
    """The ``display`` or the ``recording`` picture as its lens draws it."""
    if which == "recording":
        return Picture(raster_px=pairing.recording.raster_px, project=pairing.recording.project, unproject=pairing.recording.unproject)
    if which != "display":
        raise InputError(f"{which!r} is not a picture here", field="picture", fix=f"use one of {', '.join(PICTURES)}")
    display, camera = pairing.display, pairing.monitoring

    def project(rays: ArrayLike) -> tuple[Floats, Mask]:
        pixels, ok = camera.project(rays)
        return display.from_source(pixels), ok

    def unproject(pixels: ArrayLike) -> tuple[Floats, Mask]:
        rays, ok = camera.unproject(display.to_source(pixels))
        return rays, ok & display.shown.contains(pixels)

    return Picture(raster_px=display.raster_px, project=project, unproject=unproject)


def straight_picture(bent: Picture, *, raster_px: tuple[int, int] | None = None, angle_deg: float | None = None) -> Picture:
    """A rectilinear picture on the axis of a bent one, with square pixels.

    Args:
        raster_px: as the bent one, made wider by its squeeze, if not given.
        angle_deg: horizontal angle of view; if not given, the scale in the middle is that of the bent one.

    Raises:
        InputError: an angle no straight lens has, or a raster too large.
    """
    per_rad = _scale_on_axis(bent)
    wide, high = raster_px or (2 * round(bent.raster_px[0] * per_rad[1] / per_rad[0] / 2), bent.raster_px[1])
    if wide * high > MOST_PIXELS or min(wide, high) < 2:
        raise InputError(f"{wide} x {high} pixels", field="raster_px", fix=f"keep it under {MOST_PIXELS / 1e6:g} million pixels")
    if angle_deg is not None and not 1 <= angle_deg <= 170:
        raise InputError(f"{angle_deg:g} degrees", field="angle_deg", fix="a straight picture can have 1 to 170 degrees")
    focal_px = float(per_rad[1]) * high / bent.raster_px[1] if angle_deg is None else wide / 2 / math.tan(math.radians(angle_deg) / 2)
    middle = np.array([wide / 2, high / 2])

    def project(rays: ArrayLike) -> tuple[Floats, Mask]:
        r = np.asarray(rays, dtype=np.float64)
        ahead = r[..., 2] > 0
        with np.errstate(all="ignore"):
            pixels = middle + focal_px * r[..., :2] / r[..., 2:]
        return np.where(ahead[..., None], pixels, np.nan), ahead

    def unproject(pixels: ArrayLike) -> tuple[Floats, Mask]:
        flat = (np.asarray(pixels, dtype=np.float64) - middle) / focal_px
        rays = np.concatenate([flat, np.ones((*flat.shape[:-1], 1))], axis=-1)
        return rays / np.linalg.norm(rays, axis=-1, keepdims=True), np.ones(flat.shape[:-1], dtype=bool)

    return Picture(raster_px=(wide, high), project=project, unproject=unproject)


def lens_map(made: Picture, source: Picture, *, top_left: bool = False) -> Map:
    """The map (height, width, 3) that makes one picture from another.

    Args:
        made: the picture to make; the map has its size.
        source: the picture to take from; S and T are over it.
        top_left: T counts from the top edge; else from the bottom edge.

    Raises:
        InputError: more pixels than ``MOST_PIXELS``.
    """
    (wide, high), (from_wide, from_high) = made.raster_px, source.raster_px
    if wide * high > MOST_PIXELS:
        raise InputError(f"{wide} x {high} pixels", field="raster_px", fix=f"keep it under {MOST_PIXELS / 1e6:g} million pixels")
    out = np.empty((high, wide, 3), dtype=np.float32)
    x = np.arange(wide) + 0.5
    for top in range(0, high, _ROWS):
        y = np.arange(top, min(top + _ROWS, high)) + 0.5
        rays, seen = made.unproject(np.stack(np.broadcast_arrays(x, y[:, None]), axis=-1))
        pixels, imaged = source.project(np.where(seen[..., None], rays, [0.0, 0.0, 1.0]))
        ok = seen & imaged
        t = pixels[..., 1] / from_high
        part = np.stack([pixels[..., 0] / from_wide, t if top_left else 1 - t, np.ones_like(t)], axis=-1)
        out[top : top + len(y)] = np.where(ok[..., None], part, [-1.0, -1.0, 0.0])
    return out


def remap_tables(st: Map, source_px: tuple[int, int], *, top_left: bool = False) -> tuple[Map, Map]:
    """What ``cv2.remap`` takes for a map: x and y in its pixel rule (centres on whole numbers)."""
    t = st[..., 1] if top_left else 1 - st[..., 1]
    ok = st[..., 2] > 0
    x, y = st[..., 0] * source_px[0] - 0.5, t * source_px[1] - 0.5
    return np.where(ok, x, -1e4).astype(np.float32), np.where(ok, y, -1e4).astype(np.float32)


def straightened(colour: NDArray[np.uint8], pairing: Pairing, which: str, *, width_px: int, angle_deg: float | None = None) -> NDArray[np.uint8]:
    """A picture as its map to undistorted shows it, at another size.

    Args:
        colour: (H, W, 3), the whole ``display`` or ``recording`` picture at any size.
        width_px: of what comes back, less for a very tall picture; black where the picture has nothing.
    """
    import cv2

    bent = bent_picture(pairing, which)
    wide, high = straight_picture(bent, angle_deg=angle_deg).raster_px
    straight = straight_picture(bent, raster_px=size_within((wide, high), width_px), angle_deg=angle_deg)
    x, y = remap_tables(lens_map(straight, bent), (colour.shape[1], colour.shape[0]))
    return np.asarray(cv2.remap(colour, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT), dtype=np.uint8)


def size_within(raster_px: tuple[int, int], width_px: int) -> tuple[int, int]:
    """The size of a copy of a picture: as wide as asked, less if it would be more than ``TALLEST`` times as high."""
    scale = width_px * min(1 / raster_px[0], TALLEST / raster_px[1])
    return max(2, round(raster_px[0] * scale)), max(2, round(raster_px[1] * scale))


def write_map(path: Path, st: Map) -> None:
    """Write a map as 32-bit float TIFF (``.tif``, ``.tiff``) or OpenEXR (``.exr``), whole or not at all."""
    kind = path.suffix.lower()
    if kind in (".tif", ".tiff"):
        _write_tiff(path, st)
    elif kind == ".exr":
        _write_exr(path, st)
    else:
        raise InputError(f"{path.suffix or 'no ending'}", file=str(path), fix="name it .tiff or .exr")


def write_maps(
    folder: Path,
    pairing: Pairing,
    *,
    which: str = "display",
    kind: str = "tiff",
    angle_deg: float | None = None,
    top_left: bool = False,
    names: Collection[str] = WAYS,
) -> list[Path]:
    """Maps of a picture, both or one of them: ``<which>-straight`` and ``<which>-bent``; returns what was written."""
    if kind not in FORMATS:
        raise InputError(f"{kind!r} is not a format here", field="format", fix=f"use one of {', '.join(FORMATS)}")
    bent = bent_picture(pairing, which)
    straight = straight_picture(bent, angle_deg=angle_deg)
    written = []
    for name, made, source in (("straight", straight, bent), ("bent", bent, straight)):
        if name not in names:
            continue
        path = folder / f"{which}-{name}.{kind}"
        write_map(path, lens_map(made, source, top_left=top_left))
        written.append(path)
    return written


def _scale_on_axis(bent: Picture) -> Floats:
    """Pixels per radian on the axis, across and down."""
    small = 1e-4
    pixels, ok = bent.project([(0, 0, 1), (small, 0, 1), (0, small, 1)])
    if not ok.all():
        raise InputError("the lens does not image its own axis", fix="check its figures")
    return np.array([(pixels[1] - pixels[0])[0], (pixels[2] - pixels[0])[1]]) / small


def _write_tiff(path: Path, st: Map) -> None:
    try:
        import tifffile
    except ImportError:
        raise InputError("the TIFF writer is not installed", fix="run: pip install 'framematch[sheets]'") from None
    # Through an open file: the library wants a name with its own ending and would leave parts behind. In strips: it holds a few at a time.
    with written_whole(path) as beside, beside.open("wb") as stream:
        tifffile.imwrite(stream, st, photometric="rgb", compression="zlib", rowsperstrip=_ROWS, metadata=None, software="framematch")


def _write_exr(path: Path, st: Map) -> None:
    try:
        import OpenEXR
    except ImportError:
        raise InputError("the OpenEXR writer is not installed", fix="run: pip install 'framematch[sheets]', or write .tiff") from None
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    with written_whole(path) as beside:
        OpenEXR.File(header, {"RGB": np.ascontiguousarray(st)}).write(str(beside))
