"""Aim, offset and focal lengths solved from details that two stills share; every detail's distance is solved within."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Pairing
from framematch.measure.features import Matches
from framematch.measure.figure import NORMAL_95

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
OFFSET_MM, FOCAL_PERCENT = 2.0, 0.1  # half-widths taken where the file gives none
DISTANCE_SHARE = 0.01  # standard deviation of a distance given, as a share of it: a tape measure, and what it was held to
_NEAREST_M = 0.3


@dataclass(frozen=True, kw_only=True, eq=False)
class AimFit:
    """Small left rotation (3), offset (3, mm), log focal factors (2) and their covariance; residuals in noise units."""

    values: Floats
    covariance: Floats
    residual: Floats
    inverse: Floats
    cost: float


class AimSolve:
    """Aim, offset and focal lengths from matched rays; every match's inverse distance is solved within."""

    def __init__(self, *, pairing: Pairing, frame_of: Pairing, matches: Matches, distance_m: float | None) -> None:
        self.pairing, self.matches, self.distance_m = pairing, matches, distance_m
        self.turn = pairing.mount.recording_from_monitoring
        self.offset = pairing.mount.translation_m
        t = pairing.tolerance
        self.offset_sigma = max(t.offset_mm or OFFSET_MM, 0.05) / NORMAL_95 / 1000
        quoted = 100 * math.radians(t.angle_deg) / max(math.radians(pairing.angles["monitoring"].horizontal), 0.1)
        focal = t.focal_percent or FOCAL_PERCENT
        self.focal_sigma = np.maximum([focal, math.hypot(focal, quoted)], 0.02) / NORMAL_95 / 100
        self.middle = _in_middle(frame_of, matches.recording)
        self.by_focal = [_by_focal(c, r) for c, r in ((pairing.recording, matches.recording), (pairing.monitoring, matches.monitoring))]

    def terms(self, p: Floats, keep: NDArray[np.int64]) -> tuple[Floats, Floats]:
        """Residuals (n, 2) in noise units with each match at its best distance, and those inverse distances (n)."""
        m = self.matches
        r = m.recording[keep] + p[6] * self.by_focal[0][keep]
        s = m.monitoring[keep] + p[7] * self.by_focal[1][keep]
        turn = Rotation.from_rotvec(p[:3]).as_matrix() @ self.turn
        offset = self.offset + p[3:6]
        r = r / np.maximum(r[:, 2:], 1e-6)
        s = s / np.linalg.norm(s, axis=1)[:, None]
        u = np.cross(s, np.where(np.abs(s[:, :1]) < 0.9, [[1.0, 0, 0]], [[0, 1.0, 0]]))
        u /= np.linalg.norm(u, axis=1)[:, None]
        v = np.cross(s, u)
        inverse = np.zeros(len(r))
        for _ in range(3):
            point = (r - inverse[:, None] * offset) @ turn
            length = np.linalg.norm(point, axis=1)[:, None]
            ahead = point / length
            error = np.stack([(ahead * u).sum(1), (ahead * v).sum(1)], axis=1)
            moved = -(offset @ turn) / length
            moved = moved - ahead * (moved * ahead).sum(1)[:, None]
            slope = np.stack([(moved * u).sum(1), (moved * v).sum(1)], axis=1)
            step = -(error * slope).sum(1) / np.maximum((slope**2).sum(1), 1e-12)
            inverse = np.clip(inverse + step, 0, 1 / _NEAREST_M)
        point = (r - inverse[:, None] * offset) @ turn
        ahead = point / np.linalg.norm(point, axis=1)[:, None]
        error = np.stack([(ahead * u).sum(1), (ahead * v).sum(1)], axis=1)
        behind = (point * s).sum(1) <= 0
        error[behind] = 1.0
        return error / m.noise_rad[keep][:, None], inverse

    def _priors(self, p: Floats, inverse: Floats, keep: NDArray[np.int64], *, offset_sigma: float) -> Floats:
        out = [*(p[3:6] / offset_sigma), *(p[6:8] / self.focal_sigma), *(p[:3] / math.radians(20))]
        if self.distance_m is not None:
            out.append((float(np.median(inverse[self.middle[keep]])) * self.distance_m - 1) / DISTANCE_SHARE)
        return np.array(out)

    def rough(self) -> NDArray[np.int64]:
        """Matches that one turn of the monitoring camera and distances from near to far explain: by consensus of pairs."""
        m = self.matches
        rng = np.random.default_rng(1)
        r, s = m.recording, m.monitoring @ self.turn.T
        best = np.empty(0, dtype=np.int64)
        if len(r) < 3:
            return best
        slack = float(6 * np.median(m.noise_rad))
        for tries in range(250):
            if len(best) > 0.5 * len(r) and tries >= 40:
                break
            i, j = rng.choice(len(r), size=2, replace=False)
            if min(np.linalg.norm(np.cross(r[i], r[j])), np.linalg.norm(np.cross(s[i], s[j]))) < 0.05:
                continue
            for inverse in (0.0, 1 / 8, 1 / 3, 1 / 1.2):
                a, b = (x / np.linalg.norm(x) for x in (r[k] / r[k, 2] - inverse * self.offset for k in (i, j)))
                turn = two_ray_turn(s[i], s[j], a, b)
                keep = self._explained(turn, slack)
                if keep.sum() > len(best):
                    best = np.flatnonzero(keep)
        return best

    def _explained(self, turn: Floats, slack: float) -> Mask:
        """Whether each match lies, so turned, within ``slack`` of somewhere along its line of distances from 0.5 m on."""
        m = self.matches
        s = m.monitoring @ (turn @ self.turn).T
        far = m.recording
        near = far / far[:, 2:] - self.offset / 0.5
        near = near / np.linalg.norm(near, axis=1)[:, None]
        along = near - far
        share = np.clip(((s - far) * along).sum(1) / np.maximum((along**2).sum(1), 1e-12), 0, 1)
        out: Mask = np.linalg.norm(s - far - share[:, None] * along, axis=1) < slack
        return out

    def fit(
        self, keep: NDArray[np.int64], *, start: Floats | None = None, offset_sigma: float | None = None, loss: Literal["soft_l1", "cauchy"] = "soft_l1"
    ) -> AimFit:
        """Least squares on some matches."""
        sigma = offset_sigma or self.offset_sigma

        def all_terms(p: Floats) -> Floats:
            error, inverse = self.terms(p, keep)
            return np.concatenate([error.ravel(), self._priors(p, inverse, keep, offset_sigma=sigma)])

        scale = np.array([0.01] * 3 + [0.005] * 3 + [0.002] * 2)
        if start is None:
            start = np.zeros(8)
            start[:3] = _turn_only(self, keep)
        solved = least_squares(all_terms, start, jac="3-point", x_scale=scale, loss=loss, f_scale=2.0, max_nfev=60)
        error, inverse = self.terms(solved.x, keep)
        jacobian = np.asarray(solved.jac)
        normal = jacobian.T @ jacobian
        unit = scale[:, None] * scale
        covariance = np.linalg.pinv(normal * unit, hermitian=True) * unit
        return AimFit(values=solved.x, covariance=covariance, residual=error, inverse=inverse, cost=float(2 * solved.cost))


def _in_middle(pairing: Pairing, rays: Floats) -> Mask:
    """Whether rays (N, 3) lie in the middle fifth of the frame each way."""
    f = pairing.frame
    pixels, ok = pairing.recording.project(rays)
    share = (pixels - (f.left, f.top)) / (f.width, f.height)
    out: Mask = ok & (np.abs(share - 0.5) < 0.1).all(axis=1)
    return out


def two_ray_turn(from_a: Floats, from_b: Floats, to_a: Floats, to_b: Floats) -> Floats:
    """The rotation that carries one pair of rays to another, split evenly between them."""

    def frame(a: Floats, b: Floats) -> Floats:
        x, z = a + b, np.cross(a, b)
        x, z = x / np.linalg.norm(x), z / np.linalg.norm(z)
        return np.column_stack([x, np.cross(z, x), z])

    out: Floats = frame(to_a, to_b) @ frame(from_a, from_b).T
    return out


def _turn_only(solve: AimSolve, keep: NDArray[np.int64]) -> Floats:
    r, s = solve.matches.recording[keep], solve.matches.monitoring[keep] @ solve.turn.T
    return np.asarray(Rotation.align_vectors(r, s)[0].as_rotvec(), dtype=np.float64)


def _by_focal(camera: Camera, rays: Floats) -> Floats:
    """d ray / d log(focal length) (N, 3): how a pixel's ray moves when the lens is longer than thought."""
    step = 1e-4
    pixels, _ = camera.project(rays)
    longer = replace(camera, lens=replace(camera.lens, focal_mm=camera.lens.focal_mm * (1 + step)))
    moved, ok = longer.unproject(pixels)
    return np.where(ok[:, None], (moved - rays) / step, 0.0)
