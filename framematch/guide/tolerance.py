"""How uncertain the guide is, from the tolerance of what was typed in.

Each input's half-width of its 95 % interval is carried to the edges by the Jacobian (central
differences as wide as the tolerance itself) and added in squares: inputs are independent. Tests
check the bands by simulating rigs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from framematch.geometry.camera import Camera
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing
from framematch.guide.best import best_set_distance
from framematch.guide.outline import Floats
from framematch.guide.transfer import EDGES, edge_error, inverse_m, to_display, to_recorded

_POINTS = 17


@dataclass(frozen=True, kw_only=True)
class Band:
    """Half-widths of 95 % bands about the edges left, top, right, bottom: at the worst point of each."""

    px: tuple[float, float, float, float]
    percent: tuple[float, float, float, float]

    @property
    def worst_percent(self) -> float:
        """The largest of the four in percent of the frame."""
        return max(self.percent)


@dataclass(frozen=True, kw_only=True)
class Input:
    """One uncertain figure of a pairing: its name, half-width, and the pairing with it shifted."""

    name: str
    half_width: float
    shifted: Callable[[Pairing, float], Pairing]


def uncertain_inputs(pairing: Pairing) -> list[Input]:
    """Every input with a tolerance above 0."""
    t = pairing.tolerance
    fit = max((abs(miss) for camera, each in pairing.lens_fit_deg if camera == "monitoring" for _, miss in each), default=0.0)
    found = [
        *(Input(name=f"mount {axis}", half_width=t.offset_mm, shifted=_mount_shift(f"{axis}_mm")) for axis in ("right", "up", "forward")),
        *(Input(name=f"mount {axis}", half_width=t.aim_deg, shifted=_mount_shift(f"{axis}_deg")) for axis in ("pan", "tilt", "roll")),
        *(Input(name=f"{which} focal length", half_width=t.focal_percent, shifted=_focal_shift(which)) for which in ("recording", "monitoring")),
        *(
            Input(name=f"{which} lens centre {way}", half_width=t.centre_px, shifted=_centre_shift(which, axis))
            for which in ("recording", "monitoring")
            for axis, way in enumerate(("across", "down"))
        ),
        Input(name="monitoring angle of view", half_width=math.hypot(t.angle_deg, fit), shifted=_angle_shift),
    ]
    return [each for each in found if each.half_width > 1e-9]


def band_at(pairing: Pairing, distance_m: float) -> Band:
    """The 95 % band about the true frame's edges on the display, for what is at a distance."""
    across_px, percent = _along_edges(pairing, inverse_m(distance_m))
    return Band(px=_worst(across_px), percent=_worst(percent))


def band_over_range(pairing: Pairing, *, set_distance_m: float | None = None) -> Band:
    """The widest band over the range: at its ends and at the set distance, which is worked out if not given."""
    set_m = best_set_distance(pairing)[0] if set_distance_m is None else set_distance_m
    inverses = np.array(sorted({inverse_m(d) for d in (pairing.near_m, set_m, pairing.far_m)}))
    px, percent = (np.max([_worst(each) for each in kind], axis=0).tolist() for kind in _along_edges(pairing, inverses[:, None, None]))
    return Band(px=tuple(px), percent=tuple(percent))


def edge_places(pairing: Pairing, count: int = _POINTS) -> Floats:
    """Recorded pixels (4, count, 2) along the frame's left, top, right and bottom edges."""
    f, u = pairing.frame, np.linspace(0, 1, count)
    x, y = f.left + f.width * u, f.top + f.height * u
    return np.stack([np.stack(np.broadcast_arrays(a, b), axis=-1) for a, b in ((f.left, y), (x, f.top), (f.right, y), (x, f.bottom))])


def band_along_edges(pairing: Pairing, distance_m: float) -> tuple[Floats, Floats]:
    """Half-widths (4, points) of the 95 % band at points of each edge: display pixels, percent of the frame.

    NaN where the monitoring camera can't see the point.
    """
    return _along_edges(pairing, inverse_m(distance_m))


def _along_edges(pairing: Pairing, inverse: ArrayLike) -> tuple[Floats, Floats]:
    """:func:`band_along_edges` at one inverse distance, or at several at once: (n, 1, 1) give (n, 4, points)."""
    places = edge_places(pairing)
    nominal, _ = to_display(pairing, places, inverse)
    normals = edge_normals(pairing, places, inverse)
    px, percent = np.zeros(nominal.shape[:-1]), np.zeros(nominal.shape[:-1])
    for each in uncertain_inputs(pairing):
        rigs = [each.shifted(pairing, sign * each.half_width) for sign in (1.0, -1.0)]
        moved = [np.sum((to_display(rig, places, inverse)[0] - nominal) * normals, axis=-1) for rig in rigs]
        error = [frame_errors(rig, nominal, inverse) for rig in rigs]
        px += ((moved[0] - moved[1]) / 2) ** 2
        percent += ((error[0] - error[1]) / 2) ** 2
    return np.sqrt(px), np.sqrt(percent)


def frame_errors(rig: Pairing, display_px: Floats, inverse: ArrayLike) -> Floats:
    """Edge errors (..., 4, n) in percent of points (..., 4, n, 2) on the display, taken as edges, with a given rig."""
    back, _ = to_recorded(rig, display_px, inverse)
    return np.stack([edge_error(rig.frame, back[..., i, :, :], edge) for i, edge in enumerate(EDGES)], axis=-2)


def edge_normals(pairing: Pairing, places: Floats, inverse: ArrayLike) -> Floats:
    """Unit normals (..., 4, n, 2) of the frame's edges on the display."""
    along = np.array([(0, 1), (1, 0), (0, 1), (1, 0)], dtype=np.float64)[:, None, :]
    step = 1e-3
    tangent = to_display(pairing, places + step * along, inverse)[0] - to_display(pairing, places - step * along, inverse)[0]
    tangent /= np.linalg.norm(tangent, axis=-1, keepdims=True)
    return np.stack([tangent[..., 1], -tangent[..., 0]], axis=-1)


def _worst(values: Floats) -> tuple[float, float, float, float]:
    left, top, right, bottom = (float(np.nanmax(row, initial=-np.inf)) for row in values)
    found = [v if math.isfinite(v) else math.nan for v in (left, top, right, bottom)]
    return (found[0], found[1], found[2], found[3])


def _mount_shift(name: str) -> Callable[[Pairing, float], Pairing]:
    def shifted(pairing: Pairing, by: float) -> Pairing:
        mount: Mount = replace(pairing.mount, **{name: getattr(pairing.mount, name) + by})
        return replace(pairing, mount=mount)

    return shifted


def _camera_shift(which: str, change: Callable[[Camera, float], Camera]) -> Callable[[Pairing, float], Pairing]:
    def shifted(pairing: Pairing, by: float) -> Pairing:
        camera = change(getattr(pairing, which), by)
        return replace(pairing, recording=camera) if which == "recording" else replace(pairing, monitoring=camera)

    return shifted


def _focal_shift(which: str) -> Callable[[Pairing, float], Pairing]:
    return _camera_shift(which, lambda c, by: replace(c, lens=replace(c.lens, focal_mm=c.lens.focal_mm * (1 + by / 100))))


def _centre_shift(which: str, axis: int) -> Callable[[Pairing, float], Pairing]:
    def change(camera: Camera, by: float) -> Camera:
        x, y = camera.centre_px
        return replace(camera, centre_px=(x + by, y) if axis == 0 else (x, y + by))

    return _camera_shift(which, change)


def _angle_shift(pairing: Pairing, by: float) -> Pairing:
    """The monitoring lens with the horizontal angle of its picture changed, by its focal length."""
    camera = pairing.monitoring
    half = math.radians(camera.angles().horizontal) / 2
    wide = min(half + math.radians(by) / 2, camera.lens.end_rad * (1 - 1e-9))
    factor = float(camera.lens.radius_mm(half) / camera.lens.radius_mm(wide))
    return replace(pairing, monitoring=replace(camera, lens=replace(camera.lens, focal_mm=camera.lens.focal_mm * factor)))
