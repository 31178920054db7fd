"""Card time: how long and how many takes a memory card holds."""

from __future__ import annotations

import math

from framematch.errors import InputError


def data_rate_mbit_s(*, raster_px: tuple[int, int], rate_fps: float, bits_per_pixel: float) -> float:
    """Data rate in Mbit/s of a recording that spends so many bits on each pixel."""
    return raster_px[0] * raster_px[1] * rate_fps * bits_per_pixel / 1e6


def minutes(*, capacity_gb: float, data_rate_mbit_s: float, usable_percent: float = 95.0) -> float:
    """Recording minutes of a card.

    Args:
        capacity_gb: as printed on it, 10^9 bytes.
        usable_percent: what file system and habit leave (practice).

    Raises:
        InputError: a figure not above 0.
    """
    for name, value in (("capacity_gb", capacity_gb), ("data_rate_mbit_s", data_rate_mbit_s), ("usable_percent", usable_percent)):
        if not (math.isfinite(value) and value > 0):
            raise InputError(f"{value} is not above 0", field=name, fix="give a number above 0")
    return capacity_gb * 8000 * usable_percent / 100 / data_rate_mbit_s / 60
