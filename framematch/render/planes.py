"""Pictures of video as their three planes: luma at full size, two of colour at half (4:2:0, ITU-T H.264's usual form)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import av

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Planes = tuple[Bytes, Bytes, Bytes]
FORMAT = "yuv420p"


def planes_of(frame: av.VideoFrame) -> Planes:
    """The planes of a decoded frame, turned upright as its container asks; a view where nothing has to change."""
    if frame.format.name != FORMAT:
        frame = frame.reformat(format=FORMAT)
    turns = round(float(getattr(frame, "rotation", 0) or 0) / 90) % 4  # anticlockwise
    out = []
    for plane in frame.planes:
        rows = np.frombuffer(memoryview(plane), dtype=np.uint8).reshape(plane.height, plane.line_size)[:, : plane.width]
        out.append(np.ascontiguousarray(np.rot90(rows, turns)) if turns else rows)
    return out[0], out[1], out[2]


def frame_of(planes: Planes) -> av.VideoFrame:
    """A frame to encode; sides must be even."""
    import av

    height, width = planes[0].shape
    frame = av.VideoFrame(width, height, FORMAT)
    for plane, rows in zip(frame.planes, planes, strict=True):
        np.frombuffer(memoryview(plane), dtype=np.uint8).reshape(plane.height, plane.line_size)[:, : plane.width] = rows
    return frame


def planes_from_rgb(rgb: Bytes) -> Planes:
    """The planes of an RGB picture (H, W, 3) of even sides."""
    import av

    return planes_of(av.VideoFrame.from_ndarray(np.ascontiguousarray(rgb), format="rgb24").reformat(format=FORMAT))


class Bender:
    """Bends planes by a map, with a pattern where the map leads nowhere.

    Args:
        places: (H, W, 2), continuous pixels of the source for each pixel of the result; sides even.
        seen: (H, W), where there is something to show.
    """

    def __init__(self, places: Floats, seen: Mask) -> None:
        import cv2

        held = np.where(seen[..., None], places, -1e4)
        # A colour sample sits on the left luma pixel of its two, between the two rows (ITU-T H.264, default siting).
        half = (places[0::2, 0::2] + places[1::2, 0::2]) / 2
        half_seen = seen[0::2, 0::2] & seen[1::2, 0::2]
        half = np.where(half_seen[..., None], (half - (0.5, 1.0)) / 2, -1e4)
        self._maps = [cv2.convertMaps(m[..., 0].astype(np.float32), m[..., 1].astype(np.float32), cv2.CV_16SC2) for m in (held - 0.5, half)]
        self._nothing = [~seen, ~half_seen]
        self._hatch = _hatch(seen.shape[0], seen.shape[1])
        self._whole = bool(seen.all())

    def __call__(self, planes: Planes) -> Planes:
        """The bent planes."""
        import cv2

        out = []
        for i, plane in enumerate(planes):
            size = min(i, 1)
            bent = np.asarray(cv2.remap(np.ascontiguousarray(plane), *self._maps[size], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.uint8)
            if not self._whole:
                np.copyto(bent, self._hatch if i == 0 else np.uint8(128), where=self._nothing[size])
            out.append(bent)
        return out[0], out[1], out[2]


def _hatch(height: int, width: int) -> Bytes:
    """Diagonal lines on dark grey: nothing is known here."""
    step = max(8, height // 40)
    down, across = np.ogrid[:height, :width]
    return np.where((down + across) % step < max(2, step // 6), np.uint8(96), np.uint8(44))


def laid_over(planes: Planes, over: Planes, alpha: Bytes) -> Planes:
    """A picture with another laid over it by its opacity (H, W), 0 to 255."""
    out = []
    for i, (under, top) in enumerate(zip(planes, over, strict=True)):
        a = alpha if i == 0 else alpha[0::2, 0::2]
        rows = np.array(under)
        some = a > 0
        mixed = rows[some].astype(np.uint16) * (255 - a[some]) + top[some].astype(np.uint16) * a[some]
        rows[some] = (mixed // 255).astype(np.uint8)
        out.append(rows)
    return out[0], out[1], out[2]


def beside(left: Planes, right: Planes) -> Planes:
    """Two pictures of one height side by side."""
    a, b, c = (np.concatenate([one, two], axis=1) for one, two in zip(left, right, strict=True))
    return a, b, c
