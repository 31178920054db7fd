"""Light and colour, one definition for both renderers.

Colours are sRGB numbers. The sRGB curve is taken as a power of 2.2 (IEC 61966-2-1 gives it as close to
that), so light may act on the numbers themselves: a face in light L has its numbers multiplied by
L ** (1/2.2), which is what multiplying linear light by L comes to. Every face is flat and lit from its
own normal: ambient plus the sun by Lambert's cosine law, no shadows. Anti-aliasing averages the numbers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.scene.model import Light, Surface

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

GAMMA = 2.2


def lit_corners(surface: Surface, light: Light) -> Floats32:
    """Colours of the three corners of each face in its light, (M, 3 corners, 3), shares of full."""
    corners = np.asarray(surface.vertices)[surface.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    sun = np.array(light.sun_direction) / np.linalg.norm(light.sun_direction)
    amount = np.array(light.ambient) + np.array(light.sun) * np.maximum(normal @ sun, 0.0)[:, None]
    factor = np.minimum(amount, 1.0) ** (1 / GAMMA)
    out: Floats32 = (surface.colours[surface.faces] / 255.0 * factor[:, None, :]).astype(np.float32)
    return out


def sky(light: Light, rise: ArrayLike) -> Floats32:
    """Sky colours (..., 3), shares of full, of directions whose sine above the horizon is ``rise`` (...)."""
    up = np.sqrt(np.clip(np.asarray(rise, dtype=np.float32), 0, 1))[..., None]
    low, high = (np.array(colour, dtype=np.float32) for colour in (light.sky_horizon, light.sky_zenith))
    out: Floats32 = low + (high - low) * up
    return out
