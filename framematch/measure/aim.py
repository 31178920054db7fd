"""What two cameras' shared details say of the rig: one solve over all moments, every detail's distance solved within.

A detail seen along a by the recording camera and s by the monitoring camera, both in monitoring axes, with the offset b: s lies in the
plane of a and b, whatever the distance; how far s is off it is the detail's residual. Along that plane its place gives the inverse
distance w, which no picture holds to metres: it enters as one weak expectation for each moment (``TYPICAL_W``, once, however many the
details), so that a rig of no offset is solved as well. All unknowns are held to the file by ``unknowns.held``.

Least squares with weights after Cauchy, by Gauss and Newton. Neighbouring details share their errors (a lens that bends otherwise, a
blurred corner), so what they tell is widened by how much more blocks of them scatter than single ones would.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Pairing
from framematch.measure.features import Matches
from framematch.measure.unknowns import AIM, COUNT, OFFSET, held, moved_camera

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Ints = NDArray[np.int64]
TYPICAL_W, SPREAD_W = 0.15, 0.5  # 1/m, of a scene's typical detail
NEAREST_M = 0.3
BLOCKS = (6, 4)  # of the recorded picture
_TAKEN_UP = 6  # blocks' worth of scatter that the unknowns take up
_USUAL, _USUAL_BLOCKS = 3.0, 10  # by how much blocks usually scatter more, and how many blocks' word that is worth (practice: a hundred made-up pairs)
_STEP = 1e-6


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """Each detail at some values: residual and inverse distance, with their slopes.

    Args:
        off: (N,) rad off the plane, in units of the noise expected.
        off_slope: (N, 14).
        w: (N,) inverse distance in 1/m where the detail fits best, also below 0.
        w_slope: (N, 14).
        w_sigma: (N,) of it, from the noise alone.
    """

    off: Floats
    off_slope: Floats
    w: Floats
    w_slope: Floats
    w_sigma: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Fit:
    """Values (14,) with covariance; weights (N,) that each detail has; its residual, its scatter and how blocks add to it.

    Args:
        values: where all was made linear.
        best: (14,) the best values as seen from there, with blocks of details weighed as they scatter.
        scatter: of a detail's residual, in units of the noise expected.
        together: how many times the square of what single details would give blocks of them scatter, 1 or more.
        lean: for each moment (block rows, columns) mean residual over its own scatter; NaN where too few.
    """

    values: Floats
    best: Floats
    covariance: Floats
    weight: Floats
    seen: Seen
    scatter: float
    together: float
    lean: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Row:
    """Something else known: slope . values = target, to a standard deviation."""

    slope: Floats
    target: float
    sigma: float


class AimSolve:
    """Details of one or several moments of one rig."""

    def __init__(self, *, pairing: Pairing, matches: Sequence[Matches]) -> None:
        self.pairing, self.matches = pairing, tuple(matches)
        self.recording_px = np.concatenate([m.recording_px for m in matches])
        self.monitoring_px = np.concatenate([m.monitoring_px for m in matches])
        self.noise_rad = np.concatenate([m.noise_rad for m in matches])
        self.moment = np.repeat(np.arange(len(matches)), [len(m) for m in matches])
        self.turn = pairing.mount.recording_from_monitoring
        self.offset = pairing.mount.translation_m
        self.held = held(pairing)
        width, height = pairing.recording.raster_px
        cell = np.clip((self.recording_px / (width, height) * BLOCKS).astype(int), 0, np.array(BLOCKS) - 1)
        _, s = self._rays(np.zeros(COUNT))
        self.per_rad = _per_rad(pairing.monitoring, s, np.cross(s, np.roll(s, 1, axis=1)))
        self.block = (self.moment * BLOCKS[1] + cell[:, 1]) * BLOCKS[0] + cell[:, 0]

    def __len__(self) -> int:
        return len(self.noise_rad)

    def _rays(self, values: Floats) -> tuple[Floats, Floats]:
        first, second = (moved_camera(c, values, i) for i, c in enumerate((self.pairing.recording, self.pairing.monitoring)))
        return _unit(first, self.recording_px), _unit(second, self.monitoring_px)

    def seen(self, values: Floats) -> Seen:
        """Residuals and inverse distances with their slopes."""
        rays = self._rays(values)
        camera = moved_camera(self.pairing.monitoring, values, 1)
        off, w, sigma = self._terms(values, *rays, camera)
        off_slope, w_slope = np.empty((len(self), COUNT)), np.empty((len(self), COUNT))
        for i in range(COUNT):
            there = values.copy()
            there[i] += _STEP
            (r, s), seen_by = rays, camera
            if i >= 6:
                which = i - 6 if i < 8 else (i - 8) // 2 if i < 12 else i - 12
                if which == 0:
                    r = _unit(moved_camera(self.pairing.recording, there, 0), self.recording_px)
                else:
                    seen_by = moved_camera(self.pairing.monitoring, there, 1)
                    s = _unit(seen_by, self.monitoring_px)
            new_off, new_w, _ = self._terms(there, r, s, seen_by)
            off_slope[:, i], w_slope[:, i] = (new_off - off) / _STEP, (new_w - w) / _STEP
        return Seen(off=off, off_slope=off_slope, w=w, w_slope=w_slope, w_sigma=sigma)

    def by_offset(self, values: Floats) -> Floats:
        """(N, 3) by what share an inverse distance changes with the offset, 1/m: its slope without the noise that its own size has in it."""
        r, s = self._rays(values)
        turn, a, _, normal = self._plane(values, r)
        along = np.cross(normal, a)
        tan = np.tan(np.clip(np.arctan2((s * along).sum(1), (s * a).sum(1)), -1.2, 1.2))
        turned = (tan[:, None] * a - along) @ turn.T
        denominator = (turned @ (self.offset + values[OFFSET]))[:, None]
        return np.asarray(-turned / np.where(np.abs(denominator) > 1e-9, denominator, 1e-9))

    def _terms(self, values: Floats, r: Floats, s: Floats, camera: Camera) -> tuple[Floats, Floats, Floats]:
        _, a, b, normal = self._plane(values, r)
        off = (s * normal).sum(1)
        # a and s turned about the normal: the angle from a to s in the plane, and the one that w = 1/m of offset makes
        along = np.cross(normal, a)
        angle = np.arctan2((s * along).sum(1), (s * a).sum(1))
        # point = a / a_z - w b, seen at that angle: tan(angle) = -w (b.along) / (1 / r_z - w (b.a))
        ahead, sideways, inward = 1 / np.maximum(r[:, 2], 1e-3), along @ b, (a * b).sum(1)
        tan = np.tan(np.clip(angle, -1.2, 1.2))
        w = tan * ahead / np.where(np.abs(tan * inward - sideways) > 1e-9, tan * inward - sideways, 1e-9)
        sigma = self.noise_rad * ahead / np.maximum(np.abs(sideways), 1e-9)
        behind = (s * a).sum(1) <= 0
        return np.where(behind, 1.0, off * _per_rad(camera, s, normal) / self.per_rad) / self.noise_rad, w, sigma

    def _plane(self, values: Floats, r: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """(3, 3) aim; in the monitoring camera's axes rays (N, 3), the offset (3,), and normals (N, 3) of the planes through both."""
        turn = Rotation.from_rotvec(values[AIM]).as_matrix() @ self.turn
        a = r @ turn
        b = (self.offset + values[OFFSET]) @ turn
        across = np.cross(a, b if np.linalg.norm(b) > 1e-6 else np.array([0.0, 1e-6, 0.0]))
        length = np.linalg.norm(across, axis=1)
        return turn, a, b, across / np.maximum(length, 1e-12)[:, None]

    def fit(self, keep: Mask, *, start: Floats, rows: Sequence[Row] = (), scale: float | None = None, rounds: int = 8) -> Fit:
        """Least squares on some details, with what else is known.

        Args:
            keep: which of the details.
            scale: of the residuals, in units of the noise, to begin with; it shrinks to what they scatter.
        """
        values = start.copy()
        scale = scale or 3.0
        for turn in range(rounds):
            seen = self.seen(values)
            weight = np.where(keep, 1 / (1 + (seen.off / (2.4 * scale)) ** 2), 0.0) / scale**2
            normal, toward = self._normal(seen, weight, values, rows, scale)
            step = np.linalg.solve(normal, toward)
            values = values + step
            predicted = seen.off + seen.off_slope @ step
            found = float(np.median(np.abs(predicted[keep]))) / 0.6745 if keep.any() else 1.0
            scale = float(np.clip(max(found, 0.0 if turn >= 3 else scale / 3), 0.2, 30.0))
            if turn >= 3 and np.abs(step / self.held).max() < 1e-3:
                break
        return self.around(values, keep=keep, rows=rows, scale=scale)

    def around(self, values: Floats, *, keep: Mask | None = None, rows: Sequence[Row] = (), scale: float) -> Fit:
        """All made linear at some values, with the residuals' scatter given."""
        seen = self.seen(values)
        weight = np.where(True if keep is None else keep, 1 / (1 + (seen.off / (2.4 * scale)) ** 2), 0.0) / scale**2
        together, lean = self._blocks(seen, weight, scale)
        normal, toward = self._normal(seen, weight, values, rows, scale, together)
        covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
        return Fit(
            values=values, best=values + covariance @ toward, covariance=covariance, weight=weight, seen=seen, scatter=scale, together=together, lean=lean
        )

    def _normal(self, seen: Seen, weight: Floats, values: Floats, rows: Sequence[Row], scale: float, together: float = 1.0) -> tuple[Floats, Floats]:
        """Normal matrix and right-hand side of a step; ``together``: how many details count as one."""
        normal = (seen.off_slope * weight[:, None]).T @ seen.off_slope / together + np.diag(self.held**-2.0)
        toward = -seen.off_slope.T @ (weight * seen.off) / together - values / self.held**2
        for moment in range(len(self.matches)):
            some = (self.moment == moment) & (weight * scale**2 > 0.3) & (np.abs(seen.w) < 1 / NEAREST_M)
            count = int(some.sum())
            if not count:
                continue
            loose = scale**2 * together * seen.w_sigma[some] ** 2 + count * SPREAD_W**2
            slope = seen.w_slope[some]
            normal += (slope / loose[:, None]).T @ slope
            toward += slope.T @ ((TYPICAL_W - seen.w[some]) / loose)
        for row in rows:
            normal += np.outer(row.slope, row.slope) / row.sigma**2
            toward += row.slope * (row.target - row.slope @ values) / row.sigma**2
        return normal, toward

    def together(self, seen: Seen, weight: Floats, scale: float) -> float:
        """How many details count as one: by how much blocks of them scatter more than they would alone, 1 or more."""
        return self._blocks(seen, weight, scale)[0]

    def _blocks(self, seen: Seen, weight: Floats, scale: float) -> tuple[float, Floats]:
        """By how much blocks of details scatter more than their details would alone, and each block's mean over its scatter.

        A few blocks tell a variance badly, and a figure stated from one that came out small by chance is far too narrow: so it is drawn towards
        what is usual (the mean of a scaled inverse chi square, whose prior is worth some blocks).
        """
        cells = len(self.matches) * BLOCKS[0] * BLOCKS[1]
        good = weight * scale**2 > 0.3
        count = np.bincount(self.block[good], minlength=cells)
        total = np.bincount(self.block[good], weights=seen.off[good], minlength=cells)
        enough = count >= 5
        lean = np.where(enough, total / np.maximum(count, 1) / (scale / np.sqrt(np.maximum(count, 1))), np.nan)
        shape = (len(self.matches), BLOCKS[1], BLOCKS[0])
        if enough.sum() < 4:
            return 4.0, lean.reshape(shape)
        free = max(int(enough.sum()) - _TAKEN_UP / len(self.matches), 2.0) / enough.sum()  # what the unknowns take up
        found, told = float((lean[enough] ** 2).mean() / free), max(int(enough.sum()) - _TAKEN_UP, 1)
        return max(1.0, (told * found + _USUAL_BLOCKS * _USUAL) / (told + _USUAL_BLOCKS)), lean.reshape(shape)

    def rough(self) -> tuple[Floats, Mask]:
        """A turn of the monitoring camera that most details allow with distances from near to far, by consensus of pairs; and which those are."""
        rng = np.random.default_rng(1)
        r, s = self._rays(np.zeros(COUNT))
        s = s @ self.turn.T
        best, best_turn = np.zeros(len(r), dtype=bool), np.eye(3)
        if len(r) < 3:
            return np.zeros(COUNT), best
        near = r / r[:, 2:] - self.offset / 0.7
        near = near / np.linalg.norm(near, axis=1)[:, None]
        along = near - r
        square = np.maximum((along**2).sum(1), 1e-12)
        slack = np.maximum(5 * self.noise_rad, 0.006)  # centre, bending and focal length are not yet known
        for tries in range(250):
            if best.sum() > 0.6 * len(r) and tries >= 40:
                break
            i, j = rng.choice(len(r), size=2, replace=False)
            if min(np.linalg.norm(np.cross(r[i], r[j])), np.linalg.norm(np.cross(s[i], s[j]))) < 0.05:
                continue
            for inverse in (0.0, 1 / 8, 1 / 3, 1 / 1.2):
                a, b = (x / np.linalg.norm(x) for x in (r[k] / r[k, 2] - inverse * self.offset for k in (i, j)))
                turn = two_ray_turn(s[i], s[j], a, b)
                there = s @ turn.T - r
                share = np.clip((there * along).sum(1) / square, 0, 1)
                keep = np.linalg.norm(there - share[:, None] * along, axis=1) < slack
                if keep.sum() > best.sum():
                    best, best_turn = keep, turn
        start = np.zeros(COUNT)
        start[AIM] = Rotation.from_matrix(best_turn).as_rotvec()
        return start, best


def _per_rad(camera: Camera, rays: Floats, way: Floats) -> Floats:
    """(N,) pixels by which a ray moves for a small turn along a direction.

    Residuals are weighed in pixels: as angles they would shrink with a longer lens, and the solve would find lenses too long.
    """
    step = 1e-4 * way / np.maximum(np.linalg.norm(way, axis=1), 1e-12)[:, None]
    (up, ok), (down, also) = camera.project(rays + step), camera.project(rays - step)
    size: Floats = np.hypot(*(up - down).T) / 2e-4
    return np.where(ok & also & np.isfinite(size), size, 1.0)


def _unit(camera: Camera, pixels: Floats) -> Floats:
    rays, ok = camera.unproject(pixels)
    return np.where(ok[:, None], rays, (0.0, 0.0, -1.0))


def two_ray_turn(from_a: Floats, from_b: Floats, to_a: Floats, to_b: Floats) -> Floats:
    """The rotation that carries one pair of rays to another, split evenly between them."""

    def frame(a: Floats, b: Floats) -> Floats:
        x, z = a + b, np.cross(a, b)
        x, z = x / np.linalg.norm(x), z / np.linalg.norm(z)
        return np.column_stack([x, np.cross(z, x), z])

    out: Floats = frame(to_a, to_b) @ frame(from_a, from_b).T
    return out
