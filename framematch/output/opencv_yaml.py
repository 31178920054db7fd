"""Cameras as OpenCV's YAML storage: matrices that ``cv2.FileStorage`` reads.

OpenCV puts pixel centres on whole numbers, so its lens centre is ours less half a pixel. It has two
lens models. Each of ours says which of them holds it exactly, if one does; for the rest, Kannala-Brandt is
fitted over the picture and the largest miss is written beside it, in pixels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from framematch.geometry.camera import Camera, Floats
from framematch.geometry.pairing import Pairing
from framematch.text.whole import write_text


@dataclass(frozen=True, kw_only=True)
class OpenCvCamera:
    """A camera as OpenCV has it.

    Args:
        model: ``pinhole`` (projectPoints) or ``fisheye`` (fisheye.projectPoints).
        matrix: camera matrix (3, 3).
        coefficients: k1 k2 p1 p2 k3 k4 k5 k6, or k1..k4 of the fisheye model.
        miss_px: how far the model is from the lens at worst over the picture.
    """

    model: str
    raster_px: tuple[int, int]
    matrix: tuple[tuple[float, ...], ...]
    coefficients: tuple[float, ...]
    miss_px: float


def opencv_camera(camera: Camera) -> OpenCvCamera:
    """OpenCV's figures for a camera."""
    lens = camera.lens
    focal = camera.pixels_per_mm * lens.focal_mm / np.array([lens.squeeze, 1.0])
    centre = np.array(camera.centre_px) - 0.5
    k, p = [*lens.k, *(0.0,) * (6 - len(lens.k))], lens.p
    model, miss = lens.model.opencv, 0.0
    if model == "pinhole":
        coefficients: tuple[float, ...] = (k[0], k[1], p[0], p[1], *k[2:])
    elif model == "fisheye":
        coefficients = tuple(k[:4])
    else:
        factor, coefficients, miss = _fitted(camera)
        focal, model = focal * factor, "fisheye"
    matrix = ((float(focal[0]), 0.0, float(centre[0])), (0.0, float(focal[1]), float(centre[1])), (0.0, 0.0, 1.0))
    return OpenCvCamera(model=model, raster_px=camera.raster_px, matrix=matrix, coefficients=tuple(map(float, coefficients)), miss_px=miss)


def camera_yaml(camera: Camera, *, title: str = "") -> str:
    """One camera as YAML text."""
    c = opencv_camera(camera)
    return _document(
        title,
        [
            ("image_width", str(c.raster_px[0])),
            ("image_height", str(c.raster_px[1])),
            ("model", c.model),
            ("camera_matrix", _matrix(c.matrix)),
            ("distortion_coefficients", _matrix([c.coefficients])),
            ("largest_miss_px", _number(c.miss_px)),
        ],
    )


def rig_yaml(pairing: Pairing) -> str:
    """The mount as OpenCV's stereo R and T: X_2 = R X_1 + T, 1 the monitoring camera, 2 the recording camera, metres."""
    mount = pairing.mount
    leads = [("leads_from", "monitoring"), ("leads_to", "recording"), ("unit", "metres")]
    return _document(pairing.title, [*leads, ("R", _matrix(mount.recording_from_monitoring)), ("T", _matrix(mount.translation_m[:, None]))])


def write_cameras(folder: Path, pairing: Pairing) -> list[Path]:
    """``recording.yml``, ``monitoring.yml``, ``display.yml`` and ``rig.yml``; returns what was written."""
    texts = {
        "recording": camera_yaml(pairing.recording, title=f"{pairing.title}: recording camera"),
        "monitoring": camera_yaml(pairing.monitoring, title=f"{pairing.title}: monitoring camera"),
        "display": camera_yaml(pairing.display_camera, title=f"{pairing.title}: monitoring camera in display pixels"),
        "rig": rig_yaml(pairing),
    }
    for name, text in texts.items():
        write_text(folder / f"{name}.yml", text)
    return [folder / f"{name}.yml" for name in texts]


def _fitted(camera: Camera) -> tuple[float, tuple[float, ...], float]:
    """Kannala-Brandt for another lens: its focal length over the lens's, k1..k4, and the largest miss in pixels."""
    w, h = camera.raster_px
    rays, ok = camera.unproject([(0, 0), (w, 0), (0, h), (w, h), (w / 2, 0), (w / 2, h), (0, h / 2), (w, h / 2)])
    angles = np.arctan2(np.hypot(rays[..., 0], rays[..., 1]), rays[..., 2])
    end = float(np.max(np.where(ok, angles, 0.0))) if ok.all() else min(camera.lens.end_rad, math.pi) * 0.999
    theta = np.linspace(0, end, 400)[1:]
    radius = camera.lens.radius_mm(theta) / camera.lens.focal_mm
    found, *_ = np.linalg.lstsq(theta[:, None] ** np.array([1, 3, 5, 7, 9]), radius, rcond=None)
    miss = np.abs((theta[:, None] ** np.array([1, 3, 5, 7, 9])) @ found - radius).max() * camera.lens.focal_mm * camera.pixels_per_mm.max()
    return float(found[0]), tuple(float(v / found[0]) for v in found[1:]), float(miss)


def _document(title: str, entries: list[tuple[str, str]]) -> str:
    lines = [f"{key}: {value}" for key, value in entries]
    note = f"# {' '.join(title.split())}\n" if title.strip() else ""
    return "%YAML:1.0\n---\n" + note + "\n".join(lines) + "\n"


def _matrix(values: ArrayLike) -> str:
    m: Floats = np.atleast_2d(np.asarray(values, dtype=np.float64))
    data = ", ".join(_number(v) for v in m.ravel())
    return f"!!opencv-matrix\n   rows: {m.shape[0]}\n   cols: {m.shape[1]}\n   dt: d\n   data: [ {data} ]"


def _number(value: float) -> str:
    text = repr(float(value) + 0.0)  # + 0.0: no -0.0
    return text if any(c in text for c in ".einf") else f"{text}."
