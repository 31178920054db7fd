"""What two cameras on one mount leave unknown, as one vector, and how firmly the pairing's file holds each of it.

Fourteen numbers: a small left rotation of the aim (3, rad), the offset (3, m), the logarithms of both focal lengths, both lens
centres (2 and 2, in picture widths), both lenses' first bending (share of the image radius, at the half diagonal of the picture for
a straight lens and at the half width for a fisheye). Zero is the file. Where the file states no tolerance, half-widths of 95 %
intervals that figures from a spec sheet deserve stand for it (``SPEC_SHEET``; practice, no source), or, for a lens whose distortion was
measured, those of ``MEASURED``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from framematch.geometry.camera import Camera
from framematch.geometry.lens import Lens
from framematch.geometry.lens_models import MODELS
from framematch.geometry.mount import Mount, aim_from_rotation
from framematch.geometry.pairing import Pairing
from framematch.measure.figure import NORMAL_95

Floats = NDArray[np.float64]
COUNT = 14
AIM, OFFSET, FOCAL, CENTRE, BEND = slice(0, 3), slice(3, 6), slice(6, 8), slice(8, 12), slice(12, 14)
WHICH = ("recording", "monitoring")
#: What a closed form becomes when it is bent: a fisheye, a straight lens.
_BENDING = {straight: next(m for m in MODELS.values() if m.coefficients and (m.bare == "rectilinear") == straight) for straight in (False, True)}
_AIM_RAD = math.radians(20)  # the aim is what the check looks for: the file hardly holds it
_LEAST_OFFSET_MM = 1.0  # nobody knows where an entrance pupil is to less, and real stills are not straight to less


@dataclass(frozen=True, kw_only=True)
class Hold:
    """Half-widths of 95 % intervals: offset in mm, focal length in percent, centre and bending as shares (of the width, of the radius)."""

    offset_mm: float
    focal_percent: float
    centre: float
    bend: tuple[float, float]


SPEC_SHEET = Hold(offset_mm=6.0, focal_percent=2.0, centre=0.015, bend=(0.015, 0.03))
MEASURED = Hold(offset_mm=6.0, focal_percent=0.3, centre=0.002, bend=(0.0005, 0.0005))


def measured_lens(pairing: Pairing, which: str) -> bool:
    """Whether a camera's lens has a measured distortion, rather than a closed form or quoted angles."""
    return any(getattr(pairing, which).lens.k) and which not in {name for name, _ in pairing.lens_fit_deg}


def held(pairing: Pairing) -> Floats:
    """(14,) standard deviations that hold each unknown to the file."""
    t = pairing.tolerance
    out = np.empty(COUNT)
    out[AIM] = _AIM_RAD
    out[OFFSET] = max(t.offset_mm or SPEC_SHEET.offset_mm, _LEAST_OFFSET_MM) / 1000 / NORMAL_95
    for i, which in enumerate(WHICH):
        camera: Camera = getattr(pairing, which)
        usual = MEASURED if measured_lens(pairing, which) else SPEC_SHEET
        focal = t.focal_percent or usual.focal_percent
        if which == "monitoring":
            missed = max((abs(miss) for name, each in pairing.lens_fit_deg if name == which for _, miss in each), default=0.0)
            focal = math.hypot(focal, 100 * math.hypot(t.angle_deg, missed) / max(pairing.angles[which].horizontal, 6.0))
        out[6 + i] = max(focal, 0.02) / 100 / NORMAL_95
        out[8 + 2 * i : 10 + 2 * i] = max(t.centre_px / camera.raster_px[0] if t.centre_px else usual.centre, 1e-5) / NORMAL_95
        out[12 + i] = usual.bend[0 if _straight(camera.lens) else 1] / NORMAL_95
    return out


def moved(pairing: Pairing, values: Floats) -> Pairing:
    """The pairing with its unknowns at some values; a shorter vector leaves the rest at zero."""
    v = np.zeros(COUNT)
    v[: len(values)] = values
    return replace(pairing, recording=moved_camera(pairing.recording, v, 0), monitoring=moved_camera(pairing.monitoring, v, 1), mount=mounted(pairing.mount, v))


def mounted(mount: Mount, values: Floats) -> Mount:
    """A mount moved by a small left rotation (rad) and an offset (m)."""
    turn = Rotation.from_rotvec(values[:3]).as_matrix() @ mount.recording_from_monitoring
    pan, tilt, roll = aim_from_rotation(turn)
    right, down, forward = map(float, 1000 * (mount.translation_m + values[3:6]))
    return Mount(right_mm=right, up_mm=-down, forward_mm=forward, pan_deg=pan, tilt_deg=tilt, roll_deg=roll)


def moved_camera(camera: Camera, values: Floats, index: int) -> Camera:
    """The recording (0) or monitoring (1) camera with its focal length, centre and bending moved."""
    lens = camera.lens
    if values[12 + index]:
        lens = bent(lens, float(values[12 + index]), _bend_at(camera))
    lens = replace(lens, focal_mm=lens.focal_mm * math.exp(values[6 + index]))
    across, down = values[8 + 2 * index : 10 + 2 * index] * camera.raster_px[0]
    return replace(camera, lens=lens, centre_px=(float(camera.centre_px[0] + across), float(camera.centre_px[1] + down)))


def bent(lens: Lens, by: float, at: float) -> Lens:
    """A lens whose image radius is larger by a share ``by`` at the angle (fisheye, rad) or tangent (straight lens) ``at``, by its square elsewhere.

    Straight lenses become Brown-Conrady, closed fisheyes Kannala-Brandt by their series.
    """
    straight = _straight(lens)
    bending = lens.model if lens.model.coefficients else _BENDING[straight]
    k = (lens.k if straight or lens.model.coefficients else lens.model.series) or (0.0,)
    return replace(lens, projection=bending.name, k=(k[0] + by / at**2, *k[1:]))


def _straight(lens: Lens) -> bool:
    return lens.model.bare_name == "rectilinear"


def _bend_at(camera: Camera) -> float:
    width, height = camera.sensor_mm
    if _straight(camera.lens):
        return math.hypot(width * camera.lens.squeeze, height) / 2 / camera.lens.focal_mm
    return min(math.radians(camera.angles().horizontal) / 2, math.pi / 2) if camera.angles().horizontal > 0 else width / 2 / camera.lens.focal_mm
