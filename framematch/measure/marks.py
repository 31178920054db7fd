"""The aim from one monitoring still of wall marks, clicked or found.

The marks are those of ``framematch.guide.wall_marks``: the frame's corners and centre on a wall at a known
distance. Taped as crosses they can be found: around a cross, brightness on a small circle has four
like peaks, which few other things have; of all places that look so, those are taken that one aim of
the monitoring camera explains.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing
from framematch.guide.wall_marks import Mark, wall_marks
from framematch.measure.aim import two_ray_turn
from framematch.measure.corrected import guide_off_percent
from framematch.measure.figure import NORMAL_95, Figure
from framematch.measure.stills import Still
from framematch.measure.unknowns import COUNT, held, mounted, moved

Floats = NDArray[np.float64]

CLICK_PX = 1.0  # standard deviation of a place clicked or found
REACH_DEG = 10.0
_RADII_PX = (5.0, 7.0, 10.0)
_SEARCHED_PX, _SMALLEST_PX = 2600, 400  # long side of the largest and the smallest copy that crosses are looked for in
_EACH_SIZE = 30  # candidates of each
_LEAST = 0.55  # share of a circle's variation that has four peaks


@dataclass(frozen=True, kw_only=True)
class FromMarks:
    """What wall marks say of the aim.

    Args:
        mount: with the aim corrected, the offset as in the pairing.
        figures: pan, tilt and roll, each with its 95 % interval; the offset's and lenses' tolerance is in it.
        turned_deg: angle between the two aims.
        off_percent: how far the present guide is off at the wall's distance.
        miss_px: distance of each mark seen from where the corrected aim puts it, in the still's pixels.
        odd: name of the one mark that the others disagree with; empty if they all fit.
        warnings: what to know.
    """

    mount: Mount
    figures: tuple[Figure, ...]
    turned_deg: float
    off_percent: float
    miss_px: tuple[float, ...]
    odd: str
    warnings: tuple[str, ...]


def aim_from_marks(pairing: Pairing, still: Still, places_px: Sequence[tuple[float, float] | None], distance_m: float) -> FromMarks:
    """The aim that puts the wall marks where they are seen.

    Args:
        pairing: with the offset and lenses taken as they are, within their tolerance.
        still: the monitoring camera's whole picture.
        places_px: where each mark of ``wall_marks(pairing, distance_m)`` is seen in it, None for one not seen.
        distance_m: from the recording lens to the wall.

    Raises:
        InputError: fewer than two marks, or marks that no aim explains.
    """
    marks = wall_marks(pairing, distance_m)
    camera = _camera(pairing, still)
    if len(places_px) != len(marks):
        names = ", ".join(m.name for m in marks)
        raise InputError(f"{len(places_px)} places for {len(marks)} marks", field="--marks", fix=f"give them in this order: {names}")
    used = [i for i, p in enumerate(places_px) if p is not None]
    if len(used) < 2:
        raise InputError(f"{len(used)} marks seen, 2 are needed", field="--marks", fix="give at least two corners")
    points = _points(marks, distance_m)[used]
    seen = np.array([places_px[i] for i in used], dtype=np.float64)
    firm = held(pairing)

    def miss(values: Floats, some: NDArray[np.int64] | slice = slice(None)) -> Floats:
        rig = moved(replace(pairing, monitoring=camera), values)
        pixels, _ = rig.monitoring.project((points[some] - rig.mount.translation_m) @ rig.mount.recording_from_monitoring)
        return np.nan_to_num(pixels - seen[some], nan=1e3)

    def turn_for(some: NDArray[np.int64]) -> Floats:
        solved = least_squares(lambda turn: miss(turn, some).ravel(), np.zeros(3), x_scale=0.01)
        return np.concatenate([solved.x, np.zeros(COUNT - 3)])

    count = len(used)
    start = turn_for(np.arange(count))
    size = np.hypot(*miss(start).T)
    odd = _odd_one(turn_for, miss, count, size)
    if size.max() > 0.03 * camera.raster_px[0]:
        worst = marks[used[int(size.argmax()) if odd is None else odd[0]]].name
        far = size.max() if odd is None else odd[1]
        raise InputError(
            f"no aim explains the marks: {worst} is {far:.0f} px from {'its place' if odd is None else 'where the others put it'}",
            field="--marks",
            fix="check their order, the distance, and the tape",
        )
    sigma = max(CLICK_PX, float(np.sqrt((size**2).sum() / max(2 * count - 3, 1))))
    steps = 1e-5 * np.eye(COUNT)
    jacobian = np.stack([(miss(start + step) - miss(start - step)).ravel() / 2e-5 for step in steps], axis=1) / sigma
    covariance = np.linalg.inv(jacobian.T @ jacobian + np.diag(firm**-2.0))
    mount = mounted(pairing.mount, start)
    figures = ("pan_deg", "tilt_deg", "roll_deg")
    slopes = np.zeros((3, 3))
    for i, move in enumerate(1e-6 * np.eye(COUNT)[:3]):
        up, down = mounted(pairing.mount, start + move), mounted(pairing.mount, start - move)
        slopes[:, i] = [(getattr(up, n) - getattr(down, n)) / 2e-6 for n in figures]
    half = NORMAL_95 * np.sqrt(np.diag(slopes @ covariance[:3, :3] @ slopes.T))
    return FromMarks(
        mount=mount,
        figures=tuple(Figure(name=n, value=float(getattr(mount, n)), half_95=float(h)) for n, h in zip(figures, half, strict=True)),
        turned_deg=math.degrees(float(np.linalg.norm(start[:3]))),
        off_percent=guide_off_percent(pairing, replace(pairing, mount=mount), distance_m),
        miss_px=tuple(float(v) for v in size),
        odd="" if odd is None else marks[used[odd[0]]].name,
        warnings=()
        if odd is None
        else (f"{marks[used[odd[0]]].name} is {odd[1]:.1f} px from where the others put it, which agree: check its tape, or leave it out (-)",),
    )


def _odd_one(turn_for: Callable[[NDArray[np.int64]], Floats], miss: Callable[[Floats], Floats], count: int, size: Floats) -> tuple[int, float] | None:
    """The one mark without which all others fit several times better, and how far it is from where they put it; None if there is no such one.

    The largest miss alone does not tell: one wrong mark turns the whole aim, mostly its roll, and all others miss with it.
    """
    if count < 4 or size.max() <= 2 * CLICK_PX:
        return None
    best: tuple[float, int, float] | None = None
    for left_out in range(count):
        others = np.delete(np.arange(count), left_out)
        each = np.hypot(*miss(turn_for(others)).T)
        rest = float(each[others].max())
        if best is None or rest < best[0]:
            best = (rest, left_out, float(each[left_out]))
    assert best is not None
    rest, which, far = best
    return (which, far) if far > 4 * CLICK_PX and far > 3 * rest else None


def find_marks(pairing: Pairing, still: Still, distance_m: float) -> list[tuple[float, float] | None]:
    """Where the taped crosses are in a monitoring still, in the order of the marks; None for one not found.

    Raises:
        InputError: fewer than three crosses that one aim explains.
    """
    marks = wall_marks(pairing, distance_m)
    camera = _camera(pairing, still)
    candidates = _candidates(still.grey)
    toward = _points(marks, distance_m) - pairing.mount.translation_m
    toward = toward / np.linalg.norm(toward, axis=1)[:, None]
    best: dict[int, int] = {}
    if len(candidates) >= 3:
        rays, ok = camera.unproject(candidates)
        candidates, rays = candidates[ok], rays[ok] @ pairing.mount.recording_from_monitoring.T
        best = _one_aim(toward, rays, slack=math.radians(0.6))
    if len(best) < 3:
        raise InputError(
            f"{len(best)} wall marks found", field="--marks", file=still.name, fix="tape them as upright crosses that stand out, or give their places"
        )
    return [tuple(map(float, candidates[best[i]])) if i in best else None for i in range(len(marks))]  # type: ignore[misc]


def _camera(pairing: Pairing, still: Still) -> Camera:
    width, height = still.size_px
    raster = pairing.monitoring.raster_px
    if abs(width / height / (raster[0] / raster[1]) - 1) > 0.005:
        raise InputError(
            f"{width} x {height} pixels is not the shape of the monitoring raster {raster[0]} x {raster[1]}", file=still.name, fix="give the whole picture"
        )
    return pairing.monitoring.resized((width, height))


def expected_px(pairing: Pairing, size_px: tuple[int, int], distance_m: float) -> Floats:
    """Where the pairing as it is has the wall marks (N, 2) in a monitoring still of this size; NaN where it can't see them."""
    points = _points(wall_marks(pairing, distance_m), distance_m)
    pixels, ok = pairing.monitoring.resized(size_px).project((points - pairing.mount.translation_m) @ pairing.mount.recording_from_monitoring)
    return np.asarray(np.where(ok[:, None], pixels, np.nan))


def _points(marks: Sequence[Mark], distance_m: float) -> Floats:
    """Marks (N, 3) in recording axes, metres."""
    return np.array([(m.right_mm / 1000, -m.up_mm / 1000, distance_m) for m in marks])


def _candidates(grey: NDArray[np.uint8]) -> Floats:
    """Places (N, 2) of what may be crosses, in pixels of the still; in copies of halving size too, for wide tape."""
    import cv2

    height, width = grey.shape
    scale = min(1.0, _SEARCHED_PX / max(height, width))
    out: list[Floats] = []
    while not out or scale * max(height, width) >= _SMALLEST_PX:
        size = (max(1, round(width * scale)), max(1, round(height * scale)))
        small = grey if scale == 1 else np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        out.append(_crosses(small)[:_EACH_SIZE] * (width / size[0], height / size[1]))
        scale /= 2
    return np.concatenate(out)


def _crosses(grey: NDArray[np.uint8]) -> Floats:
    """Places (N, 2) around which a circle has four like peaks, best first, in pixels of the still."""
    import cv2

    picture = cv2.GaussianBlur(grey, (0, 0), 1.0).astype(np.float32)
    angles = np.arange(24) * (2 * np.pi / 24)
    worst = np.full(grey.shape, np.inf, dtype=np.float32)
    for radius in _RADII_PX:
        ring = [np.zeros_like(picture) for _ in range(4)]  # sum, sum of squares, fourth harmonic
        for angle in angles:
            shift = np.array([[1, 0, -radius * np.cos(angle)], [0, 1, -radius * np.sin(angle)]], dtype=np.float32)
            moved = cv2.warpAffine(picture, shift, grey.shape[::-1], flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            ring[0] += moved
            ring[1] += moved**2
            ring[2] += moved * np.float32(np.cos(4 * angle))
            ring[3] += moved * np.float32(np.sin(4 * angle))
        count = len(angles)
        spread = np.maximum(ring[1] - ring[0] ** 2 / count, 0)
        share = 2 * (ring[2] ** 2 + ring[3] ** 2) / count / np.maximum(spread, 1e-6)
        worst = np.minimum(worst, np.where(spread / count > 25, share, 0))
    peak = (worst == cv2.dilate(worst, np.ones((9, 9), np.uint8))) & (worst > _LEAST)
    row, column = np.nonzero(peak)
    order = np.argsort(-worst[row, column])[:60]
    row, column = row[order], column[order]
    out = []
    for y, x in zip(row, column, strict=True):
        part = worst[max(y - 2, 0) : y + 3, max(x - 2, 0) : x + 3].astype(np.float64) ** 4
        ys, xs = np.mgrid[max(y - 2, 0) : max(y - 2, 0) + part.shape[0], max(x - 2, 0) : max(x - 2, 0) + part.shape[1]]
        out.append(((part * xs).sum() / part.sum() + 0.5, (part * ys).sum() / part.sum() + 0.5))
    return np.array(out).reshape(-1, 2)


def _one_aim(toward: Floats, rays: Floats, *, slack: float) -> dict[int, int]:
    """For most marks a candidate each, such that one turn carries all to their marks; both (N, 3) in recording axes."""
    best: dict[int, int] = {}
    best_miss = math.inf
    reach = math.radians(REACH_DEG)
    near = np.arccos(np.clip(toward @ rays.T, -1, 1)) < reach
    for i in range(len(toward)):
        for j in range(i + 1, len(toward)):
            apart = math.acos(float(np.clip(toward[i] @ toward[j], -1, 1)))
            for a in np.flatnonzero(near[i]):
                for b in np.flatnonzero(near[j]):
                    if a == b or abs(math.acos(float(np.clip(rays[a] @ rays[b], -1, 1))) - apart) > slack:
                        continue
                    turn = two_ray_turn(rays[a], rays[b], toward[i], toward[j])
                    if Rotation.from_matrix(turn).magnitude() > 1.5 * reach:
                        continue
                    miss = np.linalg.norm(toward[:, None] - (rays @ turn.T)[None], axis=2)
                    chosen = {int(m): int(miss[m].argmin()) for m in np.flatnonzero(miss.min(axis=1) < slack)}
                    total = float(miss.min(axis=1)[list(chosen)].sum())
                    if (len(chosen), -total) > (len(best), -best_miss) and len(set(chosen.values())) == len(chosen):
                        best, best_miss = chosen, total
    return best
