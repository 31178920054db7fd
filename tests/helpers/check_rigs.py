"""The rig whose guide is checked from two stills, as it is written down and as it really is, and what its cameras see."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from measure_scenes import Spoil
from measure_views import Quad, view

from framematch.geometry.camera import Camera, Display, frame_in
from framematch.geometry.lens import Lens
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing, Tolerance
from framematch.guide.wall_marks import wall_marks
from framematch.measure.stills import Still

#: A file that Debian's opencv-doc stills fit.
BENCH_RIG = """title = "Bench rig"
[shot]
distance_m = [0.5, 5.0]
[recording]                      # by the maker's sheet
sensor_mm = [6.4, 4.8]
raster_px = [640, 480]
focal_mm = 5.0
projection = "rectilinear"
focus_m = 2.0
[monitoring]
format = "1/2-inch"
raster_px = [640, 480]
projection = "equidistant"
angle_deg = { horizontal = 70.0 }
[mount]
offset_mm = { right = 90, up = 0, forward = 0 }   # by ruler
[tolerance]
offset_mm = 5
focal_percent = 3
"""


def glasshouse(recording_px=(1280, 675), monitoring_px=(960, 720)) -> Pairing:
    recording = Camera(
        lens=Lens(projection="brown-conrady", focal_mm=18.0, k=(-0.02, 0.004)),
        sensor_mm=(24.89, 24.89 * recording_px[1] / recording_px[0]),
        raster_px=recording_px,
    )
    monitoring = Camera(lens=Lens(projection="equidistant", focal_mm=5.9 / 2 / np.radians(59)), sensor_mm=(5.9, 4.425), raster_px=monitoring_px)
    return Pairing(
        title="Glasshouse",
        recording=recording,
        frame=frame_in(recording_px, aspect=2.39, keep_percent=92),
        monitoring=monitoring,
        display=Display(raster_px=(1280, 720), source_px=monitoring_px),
        mount=Mount(up_mm=58, forward_mm=31),
        near_m=1.5,
        far_m=30.0,
        tolerance=Tolerance(offset_mm=2, aim_deg=3, focal_percent=0.3, centre_px=1),
    )


def rig_off(pairing: Pairing, rng: np.random.Generator) -> Pairing:
    """The rig as it really is: aimed some degrees elsewhere, offset off as its tolerance allows."""
    pan, tilt, roll = rng.normal(scale=(2, 2, 1))
    right, up, forward = rng.normal(scale=1.0, size=3)
    return replace(pairing, mount=Mount(right_mm=right, up_mm=58 + up, forward_mm=31 + forward, pan_deg=pan, tilt_deg=tilt, roll_deg=roll))


def two_stills(true: Pairing, quads, rng, *, fine=1, spoil=Spoil(blur_px=0.9)):  # noqa: B008
    a = view(true.recording, None, quads, rng, spoil, fine=fine)
    b = view(true.monitoring, true.mount, quads, rng, fine=2)
    return Still(name="recording.png", pixels=a), Still(name="monitoring.png", pixels=b)


def marked_wall(pairing, distance_m, rng):
    """A plain wall with dark crosses of 40 mm tape, 300 mm across, taped to within 3 mm."""
    per_m = 200
    size = (round(8 * per_m), round(6 * per_m))
    wall = np.full((size[1], size[0]), 190, np.uint8)
    wall = np.clip(wall + rng.normal(scale=3, size=wall.shape), 0, 255).astype(np.uint8)
    for mark in wall_marks(pairing, distance_m):
        x = (mark.right_mm + rng.normal(scale=3)) / 1000 * per_m + size[0] / 2
        y = (-mark.up_mm + rng.normal(scale=3)) / 1000 * per_m + size[1] / 2
        for half_x, half_y in ((30, 4), (4, 30)):
            wall[round(y) - half_y : round(y) + half_y, round(x) - half_x : round(x) + half_x] = 30
    return [Quad(corner=np.array([-4.0, -3, distance_m]), across=np.array([8.0, 0, 0]), down=np.array([0, 6.0, 0]), picture=wall)]
