"""What a guide is off by while the rig turns, because both cameras read their rows one after another.

Row y of H is read (y/H - 1/2) T after the middle one. What is seen at a place of the display was read by
the monitoring camera at one moment and by the recording camera at another, and the rig has turned between
the two. A delay of the video link moves guide and picture together and adds nothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.geometry.camera import Camera, Rect
from framematch.geometry.pairing import Pairing, Turn
from framematch.guide.best import EdgeErrors, errors_by_edge, inverses_of, outline_points, side_points, worst_signed
from framematch.guide.transfer import EDGES, Mask, distance_from, edge_error, inverse_m, to_recorded

Floats = NDArray[np.float64]
_POINTS = 65  # along an edge
_ROUNDS, _STILL_PX = 60, 1e-5  # of looking for the row that sees a point; where it has been found


def turns(pairing: Pairing) -> bool:
    """Whether a turn rate and both cameras' read-out times are known, so that there is an error while turning."""
    return pairing.turn is not None and pairing.recording.readout_ms is not None and pairing.monitoring.readout_ms is not None


def row_delay_s(camera: Camera, rows_px: ArrayLike) -> Floats:
    """How long after the middle row of its raster a camera reads rows (...)."""
    out: Floats = (np.asarray(rows_px, dtype=np.float64) / camera.raster_px[1] - 0.5) * (camera.readout_ms or 0.0) / 1000
    return out


def turned_rad(pairing: Pairing) -> Floats:
    """The turn rate (3,) about the rig's axes, radians per second."""
    turn = pairing.turn or Turn()
    return np.radians([turn.tilt_deg_s, turn.pan_deg_s, turn.roll_deg_s])


def rotated(vectors: Floats, rotation_rad: Floats) -> Floats:
    """Vectors (..., 3) turned by rotation vectors (..., 3) (Rodrigues, 1840)."""
    angle = np.linalg.norm(rotation_rad, axis=-1, keepdims=True)
    axis = rotation_rad / np.maximum(angle, 1e-300)
    along = np.sum(axis * vectors, axis=-1, keepdims=True)
    out: Floats = vectors * np.cos(angle) + np.cross(axis, vectors) * np.sin(angle) + axis * along * (1 - np.cos(angle))
    return out


def to_recorded_turning(pairing: Pairing, display_px: ArrayLike, inverse: ArrayLike) -> tuple[Floats, Mask]:
    """Where points of the display lie in the recorded picture while the rig turns.

    As :func:`framematch.guide.transfer.to_recorded`, each camera at the moment at which it reads the row.
    The distance is that from the recording camera when it reads the point.

    Args:
        display_px: (..., 2).
        inverse: inverse distance in 1/m, broadcast against the points (...).

    Returns:
        Recorded pixels (..., 2) and whether there is such a point.
    """
    inverse = np.asarray(inverse, dtype=np.float64)
    pixels, ok = to_recorded(pairing, display_px, inverse)
    source = pairing.display.to_source(display_px)
    rays, _ = pairing.monitoring.unproject(source)
    toward = np.broadcast_to(rays @ pairing.mount.recording_from_monitoring.T, (*pixels.shape[:-1], 3))
    eye = pairing.mount.translation_m
    read, rate = row_delay_s(pairing.monitoring, source[..., 1]), turned_rad(pairing)
    with np.errstate(all="ignore"):
        for _ in range(_ROUNDS):
            turn = (read - row_delay_s(pairing.recording, pixels[..., 1]))[..., None] * rate
            ray, start = rotated(toward, turn), rotated(np.broadcast_to(eye, toward.shape), turn)
            ahead = (1 - inverse * start[..., 2]) / ray[..., 2]
            found, imaged = pairing.recording.project(ray * ahead[..., None] + start * inverse[..., None])
            moved = np.abs(found[..., 1] - pixels[..., 1])
            ok = ok & imaged & (ray[..., 2] > 0)
            pixels = np.where(ok[..., None], found, np.nan)
            if not (moved[ok] > _STILL_PX).any():
                break
        ok = ok & (moved <= _STILL_PX)
    return np.where(ok[..., None], pixels, np.nan), ok


def edge_error_curve_turning(pairing: Pairing, rectangle: Rect, distances_m: ArrayLike) -> dict[str, Floats]:
    """Signed worst error of each side of a rectangle while turning, at distances (n), by edge name: n figures each."""
    return errors_by_edge(_errors(pairing, side_points(rectangle.as_tuple(), np.linspace(0, 1, _POINTS))[:, :, None], inverses_of(distances_m)))


def turning_errors(pairing: Pairing) -> EdgeErrors | None:
    """What turning alone puts a line off by that is otherwise true: each edge's worst over its points and the range.

    None where the turn rate or a read-out time is not known.
    """
    if not turns(pairing):
        return None
    near, far = inverse_m(pairing.near_m), inverse_m(pairing.far_m)
    inverses = np.array(sorted({near, (near + far) / 2, far}))
    points = np.stack([outline_points(pairing, distance_from(float(inverse)), _POINTS) for inverse in inverses], axis=2)
    worst = errors_by_edge(_errors(pairing, points, inverses))
    return EdgeErrors(**{edge: worst_signed(each) for edge, each in worst.items()})


def _errors(pairing: Pairing, points: Floats, inverses: Floats) -> Floats:
    """Errors (edge, point, inverse) of points (4, n, inverse or 1, 2) of the four edges while turning."""
    back, _ = to_recorded_turning(pairing, points, np.broadcast_to(inverses, (*points.shape[:2], len(inverses))))
    return np.stack([edge_error(pairing.frame, back[i], edge) for i, edge in enumerate(EDGES)])


def turn_words(pairing: Pairing) -> str:
    """The turn as people say it: ``pan +60, roll -20 deg/s``."""
    turn = pairing.turn or Turn()
    parts = [f"{name} {rate:+g}" for name, rate in (("pan", turn.pan_deg_s), ("tilt", turn.tilt_deg_s), ("roll", turn.roll_deg_s)) if rate]
    return f"{', '.join(parts) or '0'} deg/s"
