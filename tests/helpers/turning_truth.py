"""What two cameras that read their rows one after another see of a place while their rig turns, by simulating the clock.

Independent of ``framematch.guide.turning``: the rig's attitude comes from SciPy's rotations at each moment, and the row that
records a point is found by bisection over all moments of the read-out, not by following the image.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from framematch.geometry.pairing import Pairing
from framematch.guide.transfer import EDGES


def moment_s(camera, row_px: float) -> float:
    return (row_px / camera.raster_px[1] - 0.5) * camera.readout_ms / 1000


def attitude(pairing: Pairing, at_s: float) -> np.ndarray:
    """World axes from rig axes: turned at a constant rate about an axis fixed in the rig, level at the middle of both pictures."""
    turn = pairing.turn
    return Rotation.from_rotvec(np.radians([turn.tilt_deg_s, turn.pan_deg_s, turn.roll_deg_s]) * at_s).as_matrix()


def recorded_px(pairing: Pairing, display_px: np.ndarray, distance_m: float) -> np.ndarray:
    """Where what shows at a place of the display is recorded; the point is at the distance when its row is recorded."""
    source = pairing.display.to_source(display_px)
    (ray,), (ok,) = pairing.monitoring.unproject(source[None])
    assert ok
    world_from_rig = attitude(pairing, moment_s(pairing.monitoring, float(source[1])))
    eye = world_from_rig @ pairing.mount.translation_m
    ray = world_from_rig @ pairing.mount.recording_from_monitoring @ ray

    def seen(row_px: float) -> np.ndarray:
        rig_from_world = attitude(pairing, moment_s(pairing.recording, row_px)).T
        start, along = rig_from_world @ eye, rig_from_world @ ray
        point = along if np.isinf(distance_m) else start + along * (distance_m - start[2]) / along[2]
        (pixel,), (ok,) = pairing.recording.project(point[None])
        assert ok
        return pixel

    height = pairing.recording.raster_px[1]
    row = brentq(lambda row: seen(row)[1] - row, -0.5 * height, 1.5 * height, xtol=1e-9)
    return seen(row)


def side_error(pairing: Pairing, edge: str, points_px: np.ndarray, distance_m: float) -> float:
    """The worst error of points of one side of a guide, percent with its sign, by the definition of an edge error."""
    f = pairing.frame
    size, sign, limit, axis = {
        "left": (f.width, -1, f.left, 0), "right": (f.width, 1, f.right, 0), "top": (f.height, -1, f.top, 1), "bottom": (f.height, 1, f.bottom, 1)
    }[edge]  # fmt: skip
    errors = [100 * sign * (recorded_px(pairing, q, distance_m)[axis] - limit) / size for q in points_px]
    return max(errors, key=abs)


def rectangle_errors(pairing: Pairing, rectangle, distance_m: float, count: int = 17) -> dict[str, float]:
    u = np.linspace(0, 1, count)
    x, y = rectangle.left + rectangle.width * u, rectangle.top + rectangle.height * u
    places = {"left": (rectangle.left, y), "top": (x, rectangle.top), "right": (rectangle.right, y), "bottom": (x, rectangle.bottom)}
    return {edge: side_error(pairing, edge, np.stack(np.broadcast_arrays(*places[edge]), axis=-1), distance_m) for edge in EDGES}
