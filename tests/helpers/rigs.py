"""Pairings that tests share: our glasshouse rig, and random ones."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from framematch.geometry.camera import Camera, Display, frame_in
from framematch.geometry.lens import Lens
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing, Tolerance


def glasshouse(**changes: object) -> Pairing:
    """The starter's rig as a value."""
    recording = Camera(lens=Lens(projection="brown-conrady", focal_mm=18.0, k=(-0.02, 0.004)), sensor_mm=(24.89, 13.12), raster_px=(5760, 3036))
    monitoring = Camera(lens=Lens(projection="equidistant", focal_mm=5.9 / 2 / math.radians(59.0)), sensor_mm=(5.9, 4.425), raster_px=(1440, 1080))
    rig = Pairing(
        title="Glasshouse pane, 18 mm",
        recording=recording,
        frame=frame_in((5760, 3036), aspect=2.39, keep_percent=92.0),
        monitoring=monitoring,
        display=Display(raster_px=(1280, 720), source_px=(1440, 1080)),
        mount=Mount(up_mm=58.0, forward_mm=31.0),
        near_m=1.5,
        far_m=30.0,
        tolerance=Tolerance(offset_mm=4.0, aim_deg=0.5, focal_percent=2.0),
        f_number=8.0,
        keep_percent=92.0,
        text_cells=(50, 18),
    )
    return replace(rig, **changes)  # type: ignore[arg-type]


def straight(**changes: object) -> Pairing:
    """Two straight lenses with parallel axes: the guide is an exact rectangle with a closed-form error."""
    recording = Camera(lens=Lens(projection="rectilinear", focal_mm=20.0), sensor_mm=(24.0, 13.5), raster_px=(1920, 1080))
    monitoring = Camera(lens=Lens(projection="rectilinear", focal_mm=4.0), sensor_mm=(8.0, 6.0), raster_px=(1600, 1200))
    rig = Pairing(
        recording=recording,
        frame=frame_in((1920, 1080), aspect=2.0, keep_percent=90.0),
        monitoring=monitoring,
        display=Display(raster_px=(1280, 720), source_px=(1600, 1200)),
        near_m=1.0,
        far_m=20.0,
    )
    return replace(rig, **changes)  # type: ignore[arg-type]


def random_pairing(rng: np.random.Generator) -> Pairing:
    """Any projection on both sides, aims to 15 degrees, offsets to 150 mm, ranges from 0.8 m on."""
    recording_kind = str(rng.choice(["rectilinear", "brown-conrady", "equidistant", "equisolid", "stereographic", "orthographic", "kannala-brandt"]))
    monitoring_kind = str(rng.choice(["rectilinear", "brown-conrady", "equidistant", "equisolid", "stereographic", "orthographic", "kannala-brandt"]))
    coefficients = {
        "brown-conrady": lambda: tuple(rng.uniform(-1, 1, 2) * (0.06, 0.01)),
        "kannala-brandt": lambda: tuple(rng.uniform(-1, 1, 3) * (0.04, 0.01, 0.002)),
    }

    def lens(kind: str, half_width_mm: float, half_angle_deg: float) -> Lens:
        k = coefficients[kind]() if kind in coefficients else ()
        unit = Lens(projection=kind, focal_mm=1.0, k=k)
        return replace(unit, focal_mm=half_width_mm / float(unit.radius_mm(math.radians(half_angle_deg))))

    recording = Camera(lens=lens(recording_kind, 12.0, rng.uniform(18, 40)), sensor_mm=(24.0, 13.5), raster_px=(3840, 2160))
    widest = 48 if monitoring_kind in ("rectilinear", "brown-conrady", "orthographic") else 78
    monitoring = Camera(lens=lens(monitoring_kind, 3.0, rng.uniform(44, widest)), sensor_mm=(6.0, 4.5), raster_px=(1440, 1080))
    near = float(rng.uniform(0.8, 4.0))
    pan, tilt, roll = rng.uniform(-15, 15, 3)
    right, up, forward = rng.uniform(-150, 150, 3)
    return Pairing(
        recording=recording,
        frame=frame_in((3840, 2160), aspect=float(rng.uniform(1.3, 2.4)), keep_percent=float(rng.uniform(60, 95))),
        monitoring=monitoring,
        display=Display(raster_px=(1280, 720), source_px=(1440, 1080), fit=str(rng.choice(["crop", "letterbox", "stretch"]))),
        mount=Mount(right_mm=right, up_mm=up, forward_mm=forward, pan_deg=pan, tilt_deg=tilt, roll_deg=roll),
        near_m=near,
        far_m=float(rng.choice([near * rng.uniform(1, 30), math.inf])),
    )
