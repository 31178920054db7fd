"""What a renderer hands back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats32 = NDArray[np.float32]
Bytes = NDArray[np.uint8]


@dataclass(frozen=True, kw_only=True, eq=False)
class Picture:
    """A rendered picture with its depth.

    Depth is distance along the ray from the entrance pupil, not along the axis: that has a meaning at
    90 degrees off the axis and more. Depth along the axis is ``distance_m`` times the ray's z.

    Args:
        colour: (H, W, 3) uint8, sRGB numbers; black where the lens images nothing.
        distance_m: (H, W) float32; infinite where the ray meets nothing, NaN where there is no ray.
        renderer: ``gl`` or ``rays``, whichever made it.
    """

    colour: Bytes
    distance_m: Floats32
    renderer: str
