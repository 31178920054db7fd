"""The recorded frame, foretold: where each of its pixels is found in the goggles' picture, for one distance.

A pixel p of the frame shows what the display shows at ``to_display(p, 1/d)``: the monitoring picture bent through
both lenses onto the plane at d. What does not stand on that plane is off by the edge-error curve, and where the
monitoring picture ends nothing is made up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.guide.transfer import inverse_m, to_display

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
SHAPE_TOLERANCE = 0.02  # of an aspect ratio; rasters and inch types are rounded
LEAST_PX, MOST_PX = 16, 8192
LEAST_BAR = 0.01  # of a picture's width or height
Bars = tuple[int, int, int, int]  # left, top, right, bottom of what is inside them, in pixels


@dataclass(frozen=True, kw_only=True, eq=False)
class Foretold:
    """The frame, de-squeezed, in its delivery shape.

    Args:
        places: (H, W, 2), display pixels (continuous, (0, 0) the outer corner) of each pixel's centre.
        seen: (H, W), whether the monitoring picture has something there.
    """

    places: Floats
    seen: Mask

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        return self.seen.shape[1], self.seen.shape[0]


def foretold(pairing: Pairing, distance_m: float, *, height_px: int = 720) -> Foretold:
    """Where the main frame's pixels lie on the display, for what stands at a distance.

    Args:
        distance_m: depth along the recording camera's axis, above the rig's own, or infinite.
        height_px: of the frame's picture, made even, as its width is: video needs that.

    Raises:
        InputError: no such distance or size.
    """
    if not distance_m > max(0.0, pairing.mount.forward_mm / 1000):
        raise InputError(f"{distance_m:g} m is not a distance in front of the rig", field="at", fix="give metres above 0, or inf")
    if not LEAST_PX <= height_px <= MOST_PX:
        raise InputError(f"{height_px} pixels is out of range", field="height", fix=f"give {LEAST_PX} to {MOST_PX}")
    frame = pairing.frame
    height = 2 * round(height_px / 2)
    width = 2 * round(min(height * pairing.aspect_of(frame), MOST_PX) / 2)
    across = frame.left + (np.arange(width) + 0.5) * frame.width / width
    places, seen = np.empty((height, width, 2)), np.empty((height, width), dtype=bool)
    rows = max(1, 262_144 // width)
    for top in range(0, height, rows):  # bounded memory for the temporaries
        part = slice(top, min(top + rows, height))
        down = frame.top + (np.arange(part.start, part.stop) + 0.5) * frame.height / height
        points = np.stack(np.broadcast_arrays(across[None, :], down[:, None]), axis=-1)
        places[part], seen[part] = to_display(pairing, points, inverse_m(distance_m))
        seen[part] &= pairing.display.shown.contains(places[part])
    return Foretold(places=places, seen=seen)


@dataclass(frozen=True, kw_only=True)
class SourceFit:
    """How a source's pixels lie on the display: ``source = scale * display + shift`` in continuous pixels of each."""

    scale: tuple[float, float]
    shift_px: tuple[float, float]

    def places(self, display_px: Floats) -> Floats:
        """Source pixels (..., 2) of display pixels (..., 2)."""
        out: Floats = display_px * np.array(self.scale) + np.array(self.shift_px)
        return out


def inside_bars(not_black: Bars, size_px: tuple[int, int]) -> Bars | None:
    """The picture inside black bars, of what is not black in a picture of a size; None without bars on two opposite sides."""
    left, top, right, bottom = not_black
    width, height = size_px
    across = left > LEAST_BAR * width and width - right > LEAST_BAR * width
    down = top > LEAST_BAR * height and height - bottom > LEAST_BAR * height
    if not (across or down):
        return None
    return not_black if across and down else (left, 0, right, height) if across else (0, top, width, bottom)


def source_fit(pairing: Pairing, size_px: tuple[int, int], *, bars: Bars | None = None) -> SourceFit:
    """How a picture or clip of a size carries the display.

    It may be the display itself at any scale, the part of it that carries picture, the monitoring camera's whole
    picture, or any of these with black bars of its own round it.

    Args:
        bars: left, top, right, bottom of what is not black in the source, None where it has no bars.

    Raises:
        InputError: its shape is none of these.
    """
    display = pairing.display
    shown, screen, whole = display.shown, display.screen, display.from_source([(0.0, 0.0), display.source_px])
    camera = (whole[0, 0], whole[0, 1], whole[1, 0] - whole[0, 0], whole[1, 1] - whole[0, 1])
    carried = (
        (screen.left, screen.top, screen.width, screen.height),
        (shown.left, shown.top, shown.width, shown.height),
        camera,
    )
    outer = (0, 0, *size_px)
    tries = [(outer, carried[0]), *((bars, part) for part in carried[1:] if bars is not None), *((outer, part) for part in carried[1:])]
    for inner, (left, top, width, height) in tries:
        have_w, have_h = inner[2] - inner[0], inner[3] - inner[1]
        if abs((have_w / have_h) / (width / height) - 1) <= SHAPE_TOLERANCE:
            scale = (have_w / width, have_h / height)
            return SourceFit(scale=scale, shift_px=(inner[0] - scale[0] * left, inner[1] - scale[1] * top))
    w, h = display.raster_px
    raise InputError(
        f"{size_px[0]} x {size_px[1]} is {size_px[0] / size_px[1]:.3f}:1, but the display {w} x {h} is {w / h:.3f}:1 and the monitoring camera's picture "
        f"{camera[2] / camera[3]:.3f}:1",
        field="source",
        fix="give the goggles' own recording, or the pairing whose display it is",
    )
