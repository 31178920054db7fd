"""Rigs that several tests share."""

from __future__ import annotations

import math

from framematch.camera import Camera, Display, frame_in
from framematch.lens import Lens
from framematch.mount import Mount
from framematch.pairing import Pairing, Tolerance


def glasshouse(
    *, title: str = "Glasshouse pane, 18 mm", squeeze: float = 1.0, aspect: float = 2.39, keep: float = 92.0, align: str = "centre", fit: str = "crop"
) -> Pairing:
    """The rig of the guide's examples."""
    raster = (5760, 3036)
    lens = Lens(projection="brown-conrady", focal_mm=18.0, k=(-0.02, 0.004), squeeze=squeeze)
    wide = Lens(projection="equidistant", focal_mm=5.9 / math.radians(118.0))
    return Pairing(
        title=title,
        recording=Camera(lens=lens, sensor_mm=(24.89, 13.12), raster_px=raster),
        frame=frame_in(raster, squeeze=squeeze, aspect=aspect, keep_percent=keep, align=align),
        monitoring=Camera(lens=wide, sensor_mm=(5.9, 4.425), raster_px=(1440, 1080)),
        display=Display(raster_px=(1280, 720), source_px=(1440, 1080), fit=fit),
        mount=Mount(up_mm=58, forward_mm=31),
        near_m=1.5,
        far_m=30.0,
        tolerance=Tolerance(offset_mm=4, aim_deg=0.5, focal_percent=2),
        f_number=8.0,
        keep_percent=keep,
        text_cells=(50, 18),
    )
