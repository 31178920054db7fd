"""A guide checked from one recording still and one monitoring still of any scene, without a chart.

Each detail that both stills show gives one equation on the aim that no distance enters (the two rays and
the offset lie in a plane); where it lies along that plane depends on how far it is, which must be in front
of the rig. Aim, offset and focal lengths are solved together, each held to the pairing's figure as firmly
as the file's tolerance says; every detail's distance is solved within. What the stills can't tell is
refused with the reason.

A rig that only turned between the two stills can't be told from another aim: take them of one moment.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal, NoReturn

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from framematch.camera import Camera
from framematch.errors import InputError
from framematch.measure.features import Matches, common_view, match_details
from framematch.measure.lens import NORMAL_95, Figure
from framematch.measure.stills import Still
from framematch.mount import Mount, aim_from_rotation
from framematch.pairing import Pairing
from framematch.tolerance import edge_places, frame_errors
from framematch.transfer import inverse_m, to_display

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

FEWEST = 40  # details that have to agree
ENOUGH_PERCENT = 0.5  # of the frame: how well the guide must be known at the distance of the scene
ENOUGH_OVER_RANGE_PERCENT = 1.0  # and over the whole range, where the offset's own tolerance counts
OFFSET_MM, FOCAL_PERCENT = 2.0, 0.1  # half-widths taken where the file gives none
DISTANCE_SHARE = 0.01  # standard deviation of a distance given, as a share of it: a tape measure, and what it was held to
FEWEST_IN_MIDDLE = 5
_NEAREST_M = 0.3


class NotSuitable(InputError):
    """Two stills that do not tell where the guide belongs."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Checked:
    """What two stills say about a pairing.

    Args:
        before, after: the pairing as it was, and with the mount and the focal lengths that the stills show.
        figures: aim in degrees, offset in mm, each with its 95 % interval.
        turned_deg: angle between the two aims.
        off_percent: how far the present guide is off, at near, middle and far: worst edge in percent of the frame.
        known_percent: half-width of the 95 % interval of the guide after the correction, worst edge over the range.
        matches, agreed: details found in both stills, and those that agree.
        recording_px, monitoring_px: (N, 2) where those that agree are.
        depth_m: (N,) their distances along the recording camera's axis; infinite where none shows.
        distance_m: typical distance of what both stills show.
        miss_px: (N,) how far each is from the fit, in monitoring pixels.
    """

    before: Pairing
    after: Pairing
    figures: tuple[Figure, ...]
    turned_deg: float
    off_percent: tuple[tuple[float, float], ...]
    known_percent: float
    matches: int
    agreed: int
    recording_px: Floats
    monitoring_px: Floats
    depth_m: Floats
    distance_m: float
    miss_px: Floats


def check_guide(pairing: Pairing, recording: Still, monitoring: Still, *, distance_m: float | None = None) -> Checked:
    """Find the aim that two stills of one moment show, and how far the pairing's guide is off.

    Args:
        pairing: with figures near the truth: aim within 10 degrees, lenses as measured or quoted.
        recording, monitoring: whole pictures of the two cameras, of the pairing's shape.
        distance_m: of what is in the middle of the frame, if known; it firms up the aim along the offset.

    Raises:
        NotSuitable: the stills do not tell; the message says why.
        InputError: stills of another shape than the pairing's rasters.
    """
    if recording.digest == monitoring.digest:
        raise NotSuitable(f"{recording.name} and {monitoring.name} are the same picture", fix="give each camera's own still")
    at = replace(pairing, recording=_fitted(pairing.recording, recording, "recording"), monitoring=_fitted(pairing.monitoring, monitoring, "monitoring"))
    _has_picture(recording, monitoring)
    view = common_view(at, recording.grey, monitoring.grey)
    if (view.recording_seen & view.monitoring_seen).mean() < 0.25 * view.recording_seen.mean():
        raise NotSuitable("the two pictures hardly overlap by this pairing's figures", fix="check the aim in the pairing file to within 10 degrees")
    matches = match_details(at, view)
    solve = _Solve(pairing=at, frame_of=pairing, matches=matches, distance_m=distance_m)
    near = solve.rough()
    if len(near) < FEWEST:
        _explain_few(at, recording, monitoring, matches, len(near))
    if distance_m is not None and solve.middle[near].sum() < FEWEST_IN_MIDDLE:
        raise NotSuitable(
            "no detail in the middle of the frame to take the distance of", field="--distance", fix="aim at something with detail, or leave the distance out"
        )
    return _judged(pairing, at, solve, near)


def _fitted(camera: Camera, still: Still, kind: str) -> Camera:
    width, height = still.size_px
    if abs(width / height / (camera.raster_px[0] / camera.raster_px[1]) - 1) > 0.005:
        raise InputError(
            f"{width} x {height} pixels is not the shape of the {kind} raster {camera.raster_px[0]} x {camera.raster_px[1]}",
            file=still.name,
            fix="give the whole picture, uncropped, the right way up",
        )
    return camera if (width, height) == camera.raster_px else camera.resized((width, height))


def _has_picture(*stills: Still) -> None:
    for still in stills:
        low, high = np.percentile(still.grey[:: max(1, still.pixels.shape[0] // 400), :: max(1, still.pixels.shape[1] // 400)], (2, 98))
        if high - low < 8:
            tone = "dark" if high < 40 else "blown out" if low > 225 else "even"
            raise NotSuitable(f"{still.name} is too {tone} to find anything in", fix="take it again with light on something with detail")


def _explain_few(pairing: Pairing, recording: Still, monitoring: Still, matches: Matches, agreed: int) -> NoReturn:
    poor = [s.name for s, n in zip((recording, monitoring), matches.details, strict=True) if n < 3 * FEWEST]
    if poor:
        raise NotSuitable(
            f"too little detail in {' and '.join(poor)}", fix="point the rig at a scene with plain detail, sharp and lit, such as a shelf or a street"
        )
    flipped = replace_pixels(recording, recording.grey[:, ::-1])
    again = match_details(pairing, common_view(pairing, flipped.grey, monitoring.grey))
    mirrored = len(_Solve(pairing=pairing, frame_of=pairing, matches=again, distance_m=None).rough())
    if mirrored > max(FEWEST, 3 * agreed):
        raise NotSuitable("one of the two is mirrored: details agree once it is flipped", fix="turn off the camera's mirror setting")
    count = len(matches.recording)
    found = (
        f"only {count} details were found in both" if count < FEWEST else f"{count} details look alike but only {agreed} lie as in two pictures of one moment"
    )
    raise NotSuitable(
        f"{found} ({FEWEST} are needed)",
        fix="take both stills at one moment, of one scene without repeating patterns, and check the lens figures and the aim to within 10 degrees",
    )


def replace_pixels(still: Still, pixels: NDArray[np.uint8]) -> Still:
    """The same still with other pixels."""
    return Still(name=still.name, pixels=np.ascontiguousarray(pixels))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Fit:
    """Small left rotation (3), offset (3, mm), log focal factors (2) and their covariance; residuals in noise units."""

    values: Floats
    covariance: Floats
    residual: Floats
    inverse: Floats
    cost: float


class _Solve:
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

    def _terms(self, p: Floats, keep: NDArray[np.int64]) -> tuple[Floats, Floats]:
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
    ) -> _Fit:
        """Least squares on some matches."""
        sigma = offset_sigma or self.offset_sigma

        def all_terms(p: Floats) -> Floats:
            error, inverse = self._terms(p, keep)
            return np.concatenate([error.ravel(), self._priors(p, inverse, keep, offset_sigma=sigma)])

        scale = np.array([0.01] * 3 + [0.005] * 3 + [0.002] * 2)
        if start is None:
            start = np.zeros(8)
            start[:3] = _turn_only(self, keep)
        solved = least_squares(all_terms, start, jac="3-point", x_scale=scale, loss=loss, f_scale=2.0, max_nfev=60)
        error, inverse = self._terms(solved.x, keep)
        jacobian = np.asarray(solved.jac)
        normal = jacobian.T @ jacobian
        unit = scale[:, None] * scale
        covariance = np.linalg.pinv(normal * unit, hermitian=True) * unit
        return _Fit(values=solved.x, covariance=covariance, residual=error, inverse=inverse, cost=float(2 * solved.cost))


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


def _turn_only(solve: _Solve, keep: NDArray[np.int64]) -> Floats:
    r, s = solve.matches.recording[keep], solve.matches.monitoring[keep] @ solve.turn.T
    return np.asarray(Rotation.align_vectors(r, s)[0].as_rotvec(), dtype=np.float64)


def _by_focal(camera: Camera, rays: Floats) -> Floats:
    """d ray / d log(focal length) (N, 3): how a pixel's ray moves when the lens is longer than thought."""
    step = 1e-4
    pixels, _ = camera.project(rays)
    longer = replace(camera, lens=replace(camera.lens, focal_mm=camera.lens.focal_mm * (1 + step)))
    moved, ok = longer.unproject(pixels)
    return np.where(ok[:, None], (moved - rays) / step, 0.0)


def _judged(pairing: Pairing, at: Pairing, solve: _Solve, near: NDArray[np.int64]) -> Checked:
    keep = near
    fit = solve.fit(keep)
    every = np.arange(len(solve.matches.recording))
    sigma = 1.0
    for _ in range(4):
        error, _ = solve._terms(fit.values, every)
        size = np.hypot(*error.T)
        inside = size[keep]
        sigma = float(np.clip(np.median(inside) / 0.9, 0.15, 4.0))  # one of the two directions is spent on the distance
        after = np.flatnonzero(size < 3.5 * sigma)
        if len(after) < FEWEST or np.array_equal(after, keep):
            break
        keep = after
        fit = solve.fit(keep, start=fit.values)
    total = len(every)
    if len(keep) < FEWEST or len(keep) < 0.35 * total:
        raise NotSuitable(
            f"only {len(keep)} of {total} details agree on one aim",
            fix="take both stills of one moment, with nothing large moving, and check the lens figures",
        )
    scale = max(1.0, float(np.sqrt((fit.residual**2).sum() / max(len(keep) - 8, 1))))
    covariance = fit.covariance * scale**2
    _same_moment(solve, keep, fit, scale)
    pull = np.abs(fit.values[6:8]) / solve.focal_sigma
    if pull.max() > 3.5:
        which = ("recording", "monitoring")[int(pull.argmax())]
        longer = 100 * (math.exp(fit.values[6 + int(pull.argmax())]) - 1)
        raise NotSuitable(f"the {which} lens seems {abs(longer):.1f} % {'longer' if longer > 0 else 'shorter'} than the file's", fix="measure the lens first")
    _spread(pairing, solve.matches.recording[keep])
    return _result(pairing, at, solve, keep, fit, covariance)


def _same_moment(solve: _Solve, keep: NDArray[np.int64], fit: _Fit, scale: float) -> None:
    """Refuse stills that want the cameras to stand elsewhere than the file has them."""
    every = np.arange(len(solve.matches.recording))
    loose = solve.fit(every, start=fit.values, offset_sigma=1.0, loss="cauchy")
    size = np.hypot(*solve._terms(loose.values, every)[0].T)
    held = np.hypot(*solve._terms(fit.values, every)[0].T)
    limit = 3.5 * max(scale, 0.5)
    better = int((size < limit).sum()) - int((held < limit).sum())
    moved = loose.values[3:6]
    pulled = np.abs(fit.values[3:6]) / solve.offset_sigma
    gain = (fit.residual**2).sum() - (solve._terms(loose.values, keep)[0] ** 2).sum()
    if better > max(15, 0.15 * len(keep)) or (pulled.max() > 3.5 and gain > 30 * scale**2):
        apart = 1000 * float(np.linalg.norm(moved))
        raise NotSuitable(
            f"the stills fit only if the cameras stand {apart:.0f} mm from where the file has them",
            fix="take both stills at one moment, and check offset_mm",
        )


def _spread(pairing: Pairing, rays: Floats) -> None:
    """Refuse details that crowd one part of the frame."""
    pixels, _ = pairing.recording.project(rays)
    f = pairing.frame
    cell = np.floor((pixels - (f.left, f.top)) / (f.width, f.height) * (4, 3))
    inside = ((cell >= 0) & (cell < (4, 3))).all(axis=1)
    counts = np.zeros((3, 4), dtype=int)
    np.add.at(counts, (cell[inside, 1].astype(int), cell[inside, 0].astype(int)), 1)
    filled = int((counts >= 2).sum())
    if filled < 5:
        raise NotSuitable(f"details agree in only {filled} of 12 parts of the frame", fix="choose a scene with detail all over the picture")


def mounted(mount: Mount, values: Floats) -> Mount:
    """A mount moved by a small left rotation (rad) and an offset (m)."""
    turn = Rotation.from_rotvec(values[:3]).as_matrix() @ mount.recording_from_monitoring
    pan, tilt, roll = aim_from_rotation(turn)
    right, down, forward = map(float, 1000 * (mount.translation_m + values[3:6]))
    return Mount(right_mm=right, up_mm=-down, forward_mm=forward, pan_deg=pan, tilt_deg=tilt, roll_deg=roll)


def refocused(pairing: Pairing, values: Floats) -> Pairing:
    """A pairing with its mount moved and its focal lengths scaled by exp(values[6:8])."""
    cameras = [
        replace(c, lens=replace(c.lens, focal_mm=c.lens.focal_mm * math.exp(v)))
        for c, v in zip((pairing.recording, pairing.monitoring), values[6:8], strict=True)
    ]
    return replace(pairing, recording=cameras[0], monitoring=cameras[1], mount=mounted(pairing.mount, values))


def guide_off_percent(drawn: Pairing, true: Pairing, distance_m: float) -> float:
    """By how much the frame drawn for one pairing misses the frame of another, at a distance: worst edge, percent of the frame.

    NaN where nothing of it can be judged.
    """
    inverse = inverse_m(distance_m)
    display, _ = to_display(drawn, edge_places(drawn), inverse)
    errors = np.abs(frame_errors(true, display, inverse))
    return float(np.nanmax(errors)) if np.isfinite(errors).any() else math.nan


def _distances(pairing: Pairing) -> list[float]:
    near, far = inverse_m(pairing.near_m), inverse_m(pairing.far_m)
    middle = (near + far) / 2
    return list(dict.fromkeys([pairing.near_m, 1 / middle, pairing.far_m]))


def _result(pairing: Pairing, at: Pairing, solve: _Solve, keep: NDArray[np.int64], fit: _Fit, covariance: Floats) -> Checked:
    after = refocused(pairing, fit.values)
    seen, inverse = solve._terms(fit.values, keep)
    shown = float(np.median(inverse))
    distance = 1 / shown if shown > 1e-3 else math.inf
    here = _known_percent(pairing, fit.values, covariance, [distance])
    known = _known_percent(pairing, fit.values, covariance, _distances(pairing))
    if not (here <= ENOUGH_PERCENT and known <= ENOUGH_OVER_RANGE_PERCENT):
        raise NotSuitable(
            f"{len(keep)} details agree, but they fix the guide only to {max(here, known):.1f} % of the frame",
            fix="add --distance, or choose a scene with detail all over it, near and far",
        )
    m = solve.matches.only(keep)
    per_rad = at.monitoring.lens.focal_mm * float(at.monitoring.pixels_per_mm.min())
    with np.errstate(divide="ignore"):
        depth = 1 / inverse
    turned = math.degrees(float(np.linalg.norm(fit.values[:3])))
    return Checked(
        before=pairing,
        after=after,
        figures=_figures(pairing.mount, fit.values, covariance),
        turned_deg=turned,
        off_percent=tuple((d, guide_off_percent(pairing, after, d)) for d in _distances(pairing)),
        known_percent=known,
        matches=len(solve.matches.recording),
        agreed=len(keep),
        recording_px=pairing.recording.project(m.recording)[0],
        monitoring_px=pairing.monitoring.project(m.monitoring)[0],
        depth_m=depth,
        distance_m=distance,
        miss_px=np.hypot(*seen.T) * m.noise_rad * per_rad,
    )


def _known_percent(pairing: Pairing, values: Floats, covariance: Floats, distances: list[float]) -> float:
    """Half-width of the 95 % interval of the frame's edges on the display, worst edge over some distances, percent of the frame."""
    here = refocused(pairing, values)
    worst = 0.0
    sigma = np.sqrt(np.maximum(np.diag(covariance), 1e-18))
    for distance in distances:
        inverse = inverse_m(distance)
        display, _ = to_display(here, edge_places(here), inverse)
        slopes = []
        for i in range(8):
            move = np.zeros(8)
            move[i] = sigma[i]
            up, down = (frame_errors(refocused(pairing, values + sign * move), display, inverse) for sign in (1, -1))
            slopes.append((up - down) / (2 * sigma[i]))
        each = np.stack(slopes, axis=-1)
        half = NORMAL_95 * np.sqrt(np.maximum(np.einsum("...i,ij,...j->...", each, covariance, each), 0))
        if not np.isfinite(half).any():
            return math.inf
        worst = max(worst, float(np.nanmax(half)))
    return worst


def _figures(mount: Mount, values: Floats, covariance: Floats) -> tuple[Figure, ...]:
    names = ("pan_deg", "tilt_deg", "roll_deg", "right_mm", "up_mm", "forward_mm")

    def all_six(v: Floats) -> Floats:
        now = mounted(mount, v)
        return np.array([getattr(now, name) for name in names])

    slopes = np.zeros((6, 6))
    for i in range(6):
        move = np.zeros(8)
        move[i] = 1e-6
        slopes[:, i] = (all_six(values + move) - all_six(values - move)) / 2e-6
    half = NORMAL_95 * np.sqrt(np.maximum(np.diag(slopes @ covariance[:6, :6] @ slopes.T), 0))
    return tuple(Figure(name=n, value=float(v), half_95=float(h)) for n, v, h in zip(names, all_six(values), half, strict=True))
