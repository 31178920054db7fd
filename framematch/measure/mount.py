"""The mount measured from same-moment pairs of stills of a chart: both cameras and the mount in one solve."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.geometry.mount import Mount, aim_from_rotation
from framematch.measure.bundle import MONITORING, RECORDING, Corners, Solution, State, solve
from framematch.measure.chart import Chart, Found
from framematch.measure.figure import NORMAL_95, Figure
from framematch.measure.finding import Looked
from framematch.measure.lens import TOGETHER, LensFit, fit_lens
from framematch.measure.pose import place_chart
from framematch.measure.solved_figures import Model
from framematch.progress import step

Floats = NDArray[np.float64]

FEWEST_PAIRS = 3
FIGURES = ("pan_deg", "tilt_deg", "roll_deg", "right_mm", "up_mm", "forward_mm")


@dataclass(frozen=True, kw_only=True)
class Known:
    """A camera whose figures are taken as given, each as sure as its half-width of the 95 % interval says.

    Args:
        camera: as in the pairing file.
        focal_percent, centre_px: half-widths; 0 holds the figure as it is.
    """

    camera: Camera
    focal_percent: float = 0.0
    centre_px: float = 0.0

    @property
    def model(self) -> Model:
        """What may move in the solve."""
        return Model(projection=self.camera.lens.projection, focal=self.focal_percent > 0, centre=self.centre_px > 0)

    def priors(self, first: int) -> list[tuple[int, float, float]]:
        """(index, value, standard deviation) of each figure that may move."""
        values = self.model.values(self.camera)
        half = {"focal_mm": self.camera.lens.focal_mm * self.focal_percent / 100}
        return [(first + i, float(values[i]), half.get(name, self.centre_px) / NORMAL_95) for i, name in enumerate(self.model.figures)]


@dataclass(frozen=True, kw_only=True, eq=False)
class MountFit:
    """A mount measured from pairs of stills.

    Args:
        mount: as measured.
        figures: aim in degrees and offset in mm, each with its 95 % interval.
        cameras: recording and monitoring, as solved along with it.
        rms_px: of each camera's corners.
        sigma_px: noise of a coordinate of a corner, of each camera.
        covariance: (6, 6) of the figures.
        used, left_out: names of the pairs used, and (pair, reason) of those not used.
        corners, residual_px: what went into the solve and seen minus computed.
        warnings: what to know.
    """

    mount: Mount
    figures: tuple[Figure, ...]
    cameras: tuple[Camera, Camera]
    rms_px: tuple[float, float]
    sigma_px: tuple[float, float]
    covariance: Floats
    used: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    corners: Corners
    residual_px: Floats
    warnings: tuple[str, ...]


def fit_mount(
    recording: Sequence[Found | None],
    monitoring: Sequence[Found | None],
    chart: Chart,
    *,
    cameras: tuple[LensFit | Known, LensFit | Known] | None = None,
    robust: bool = True,
) -> MountFit:
    """Measure the mount.

    Args:
        recording, monitoring: the chart in each pair's two stills, None where it was not found.
        chart: as printed; the offset is as true as its squares.
        cameras: each a fit on these stills (its figures are solved again, in one solve with the mount),
            or known figures; fitted here if not given.
        robust: leave out wrong pairs.

    Raises:
        InputError: too few pairs, a chart that can't be told from itself upside down, or pairs that do
            not agree on one mount.
    """
    if len(recording) != len(monitoring):
        raise InputError(f"{len(recording)} recording and {len(monitoring)} monitoring stills do not make pairs", fix="give one of each for every moment")
    if not chart.one_way_up:
        raise InputError(
            f"a chessboard of {chart.columns} x {chart.rows} squares looks the same upside down", fix="use one with an odd and an even number, or a ChArUco"
        )
    both = [i for i, (r, m) in enumerate(zip(recording, monitoring, strict=True)) if r is not None and m is not None]
    if len(both) < FEWEST_PAIRS:
        raise InputError(f"the chart was found in both stills of {len(both)} pairs, {FEWEST_PAIRS} are needed", fix="hold it where both cameras see it")
    sides = (recording, monitoring)
    given = cameras or tuple(fit_lens([f for f in side if f is not None], chart) for side in sides)
    parts = [_corners_of(camera, side, chart, index) for index, (camera, side) in enumerate(zip(given, sides, strict=True))]
    names = [_pair_name(r, m) for r, m in zip(recording, monitoring, strict=True)]
    fit = _Pairs(given=given, names=names)
    return fit.solved(_joined(parts), robust=robust)


def _pair_name(recording: Found | None, monitoring: Found | None) -> str:
    return " + ".join(f.still for f in (recording, monitoring) if f is not None)


def _corners_of(camera: LensFit | Known, side: Sequence[Found | None], chart: Chart, index: int) -> Corners:
    if isinstance(camera, LensFit):
        pair = {f.still: i for i, f in enumerate(side) if f is not None}
        view = np.array([pair.get(name, -1) for name in camera.used])[camera.view]
        every = Corners(camera=np.full(len(view), index), view=view, board_mm=camera.board_mm, pixels=camera.pixels)
        return every.only(view >= 0)
    points = chart.points_mm
    seen = [(i, f) for i, f in enumerate(side) if f is not None]
    if any(f.size_px != camera.camera.raster_px for _, f in seen):
        size = next(f.size_px for _, f in seen if f.size_px != camera.camera.raster_px)
        kind = ("recording", "monitoring")[index]
        raster = camera.camera.raster_px
        raise InputError(
            f"{kind} stills are {size[0]} x {size[1]} pixels, the pairing says {raster[0]} x {raster[1]}",
            field=f"{kind}.raster_px",
            fix="use stills of the mode that the pairing describes",
        )
    return Corners(
        camera=np.concatenate([np.full(len(f.ids), index) for _, f in seen]),
        view=np.concatenate([np.full(len(f.ids), i) for i, f in seen]),
        board_mm=np.concatenate([points[f.ids] for _, f in seen]),
        pixels=np.concatenate([f.pixels for _, f in seen]),
    )


def _joined(parts: Sequence[Corners]) -> Corners:
    return Corners(**{name: np.concatenate([getattr(p, name) for p in parts]) for name in ("camera", "view", "board_mm", "pixels")})


@dataclass(frozen=True, kw_only=True, eq=False)
class _Pairs:
    given: tuple[LensFit | Known, ...]
    names: Sequence[str]

    @property
    def cameras(self) -> tuple[Camera, ...]:
        return tuple(g.camera for g in self.given)

    @property
    def models(self) -> list[Model]:
        return [g.model for g in self.given]

    @property
    def priors(self) -> list[tuple[int, float, float]]:
        out: list[tuple[int, float, float]] = []
        first = 0
        for each in self.given:
            if isinstance(each, Known):
                out += each.priors(first)
            first += len(each.model.figures)
        return out

    def solved(self, corners: Corners, *, robust: bool) -> MountFit:
        left_out: dict[str, str] = {}
        poses = self._poses(corners)
        turn, shift, agree = _one_mount(poses)
        if robust:
            for view, why in agree.items():
                left_out[self.names[view]] = why
                corners = corners.only(corners.view != view)
        if len(poses) - len(agree if robust else ()) < FEWEST_PAIRS:
            raise InputError(
                "the pairs do not agree on one mount", fix="check that each pair is of one moment, in the same order, and that no camera mirrors its picture"
            )
        views, state = self._state(corners, poses, turn, shift)
        corners = corners.only(np.isin(corners.view, views))
        noise = np.array([g.sigma_px if isinstance(g, LensFit) else 1.0 for g in self.given])
        solution = self._solve(state, corners, views, noise, robust=robust)
        for _ in range(3 if robust else 0):
            keep, wrong = self._sound(solution, corners, views)
            left_out |= wrong
            if keep.all():
                break
            corners = corners.only(keep)
            kept = np.unique(corners.view)
            rows = np.searchsorted(views, kept)
            views = kept
            state = replace(solution.state, turn=solution.state.turn[rows], shift_mm=solution.state.shift_mm[rows])
            solution = self._solve(state, corners, views, solution.sigma_px, robust=True)
        for _ in range(2):  # the second with the noise that the first found
            solution = self._solve(solution.state, corners, views, solution.sigma_px, robust=False)
        pairs = [v for v in views if len(np.unique(corners.camera[corners.view == v])) == 2]
        if len(pairs) < FEWEST_PAIRS:
            raise InputError(
                "the pairs do not agree on one mount", fix="check that each pair is of one moment, in the same order, and that no camera mirrors its picture"
            )
        return self._result(solution, corners, [self.names[v] for v in pairs], left_out)

    def _solve(self, state: State, corners: Corners, views: NDArray[np.int64], sigma: Floats, *, robust: bool) -> Solution:
        local = replace(corners, view=np.searchsorted(views, corners.view))
        noise = np.where(np.isfinite(sigma) & (sigma > 1e-6), sigma, 1.0)
        step("Solving for the mount")
        return solve(state, local, self.models, noise_px=list(noise), robust=robust, priors=self.priors)

    def _poses(self, corners: Corners) -> dict[int, list[tuple[Floats, Floats]]]:
        """Of each pair seen by both: the chart from the recording and from the monitoring camera."""
        out = {}
        for view in np.unique(corners.view):
            both = []
            for index, camera in enumerate(self.cameras):
                mine = corners.only((corners.view == view) & (corners.camera == index))
                pose = place_chart(camera, mine)
                if pose is not None:
                    both.append(pose[:2])
            if len(both) == 2:
                out[int(view)] = both
        return out

    def _state(self, corners: Corners, poses: Mapping[int, list[tuple[Floats, Floats]]], turn: Floats, shift: Floats) -> tuple[NDArray[np.int64], State]:
        """The pairs in which the chart can be placed, and where it stands in each."""
        placed: dict[int, tuple[Floats, Floats]] = {}
        for view in map(int, np.unique(corners.view)):
            if view in poses:
                placed[view] = poses[view][0]
                continue
            alone = corners.only(corners.view == view)
            index = int(alone.camera[0])
            pose = place_chart(self.cameras[index], alone)
            if pose is not None:
                placed[view] = (turn @ pose[0], turn @ pose[1] + shift) if index == MONITORING else pose[:2]
        turns, shifts = (np.array([pose[i] for pose in placed.values()]) for i in (0, 1))
        return np.array(list(placed)), State(cameras=self.cameras, turn=turns, shift_mm=shifts, mount_turn=turn, mount_mm=shift)

    def _sound(self, solution: Solution, corners: Corners, views: NDArray[np.int64]) -> tuple[NDArray[np.bool_], dict[str, str]]:
        size = np.hypot(*np.nan_to_num(solution.residual_px, nan=1e3).T)
        keep = np.ones(len(size), dtype=bool)
        wrong: dict[str, str] = {}
        for index in (RECORDING, MONITORING):
            mine = corners.camera == index
            sigma = float(np.median(size[mine])) / 1.1774
            each = {v: float(np.median(size[mine & (corners.view == v)])) for v in views if (mine & (corners.view == v)).any()}
            typical = float(np.median(list(each.values())))
            own = {v: min(max(value / 1.1774, sigma), 3 * sigma) for v, value in each.items()}
            keep[mine] = size[mine] <= np.maximum(5.5 * np.array([own[v] for v in corners.view[mine]]), 0.05)
            for view, value in each.items():
                if value > 4 * typical + 0.3:
                    keep &= corners.view != view
                    wrong[self.names[view]] = f"its corners lie {value:.1f} px from where the other pairs put them: not of one moment?"
        return keep, wrong

    def _result(self, solution: Solution, corners: Corners, used: Sequence[str], left_out: Mapping[str, str]) -> MountFit:
        state = solution.state
        covariance = _figure_covariance(state, TOGETHER**2 * solution.covariance[-6:, -6:])
        pan, tilt, roll = aim_from_rotation(state.mount_turn)
        right, down, forward = map(float, state.mount_mm)
        mount = Mount(right_mm=right, up_mm=-down, forward_mm=forward, pan_deg=pan, tilt_deg=tilt, roll_deg=roll)
        half = NORMAL_95 * np.sqrt(np.maximum(np.diag(covariance), 0))
        size = np.hypot(*solution.residual_px.T)
        rms = tuple(float(np.sqrt((size[corners.camera == i] ** 2).mean())) for i in (RECORDING, MONITORING))
        warnings = [] if solution.settled else ["the solve did not settle: take the figures as rough"]
        length = float(np.linalg.norm(state.mount_mm))
        if length > 500:
            warnings.append(f"the lenses come out {length:.0f} mm apart: check the chart's square size")
        if len(used) < 8:
            warnings.append(f"{len(used)} pairs used: 12 or more, with the chart near and far and tilted, serve well")
        return MountFit(
            mount=mount,
            figures=tuple(Figure(name=n, value=float(getattr(mount, n)), half_95=float(h)) for n, h in zip(FIGURES, half, strict=True)),
            cameras=(state.cameras[0], state.cameras[1]),
            rms_px=(rms[0], rms[1]),
            sigma_px=(float(solution.sigma_px[0]), float(solution.sigma_px[1])),
            covariance=covariance,
            used=tuple(used),
            left_out=tuple(left_out.items()),
            corners=corners,
            residual_px=solution.residual_px,
            warnings=tuple(warnings),
        )


def _one_mount(poses: Mapping[int, list[tuple[Floats, Floats]]]) -> tuple[Floats, Floats, dict[int, str]]:
    """The mount that most pairs agree on, and why each of the others is out."""
    if len(poses) < FEWEST_PAIRS:
        raise InputError(f"the chart could be placed in both stills of {len(poses)} pairs, {FEWEST_PAIRS} are needed", fix="take more pairs")
    views = list(poses)
    turns = np.array([r[0] @ m[0].T for r, m in poses.values()])
    shifts = np.array([r[1] - t @ m[1] for t, (r, m) in zip(turns, poses.values(), strict=True)])
    apart = np.array([[np.degrees(Rotation.from_matrix(a.T @ b).magnitude()) for b in turns] for a in turns])
    middle = int(np.argmin(np.median(apart, axis=1)))
    off = apart[middle]
    limit = max(1.0, 6 * float(np.median(off)))
    out = {v: f"its two stills put the mount {d:.1f} degrees from the other pairs: not of one moment?" for v, d in zip(views, off, strict=True) if d > limit}
    inside = off <= limit
    return Rotation.from_matrix(turns[inside]).mean().as_matrix(), np.median(shifts[inside], axis=0), out


def _figure_covariance(state: State, covariance: Floats) -> Floats:
    """From (small left rotation in rad, offset in mm) to pan, tilt, roll in degrees, right, up, forward in mm."""
    slopes = np.zeros((6, 6))
    step = 1e-6
    for axis in range(3):
        move = np.zeros(3)
        move[axis] = step
        up, down = (np.array(aim_from_rotation(Rotation.from_rotvec(s * move).as_matrix() @ state.mount_turn)) for s in (1, -1))
        slopes[:3, axis] = (up - down) / (2 * step)
    slopes[3:, 3:] = np.diag([1.0, -1.0, 1.0])
    out: Floats = slopes @ covariance @ slopes.T
    return out


def carried(fit: MountFit, recording: Found, monitoring: Found, chart: Chart) -> Floats:
    """Corners of a chart carried from the recording still to the monitoring still of a pair: seen minus carried (N, 2), pixels.

    The chart is placed by the recording still alone, so nothing of the monitoring still is used but to compare.

    Raises:
        InputError: the chart can't be placed.
    """
    points = chart.points_mm
    count = len(recording.ids)
    alone = Corners(camera=np.zeros(count, dtype=np.int64), view=np.zeros(count, dtype=np.int64), board_mm=points[recording.ids], pixels=recording.pixels)
    pose = place_chart(fit.cameras[0], alone)
    if pose is None:
        raise InputError("the chart can't be placed", file=recording.still)
    in_recording = points[monitoring.ids] @ pose[0].T + pose[1]
    in_monitoring = (in_recording - fit.mount.translation_m * 1000) @ fit.mount.recording_from_monitoring
    return monitoring.pixels - fit.cameras[1].project(in_monitoring)[0]


def check_pairs(recording: Sequence[Looked], monitoring: Sequence[Looked]) -> None:
    """Refuse sides that can't be pairs before anything is solved.

    Raises:
        InputError: different counts, or a still that is on both sides.
    """
    if len(recording) != len(monitoring):
        raise InputError(f"{len(recording)} recording and {len(monitoring)} monitoring stills do not make pairs", fix="give one of each for every moment")
    for r, m in zip(recording, monitoring, strict=True):
        same = r.found is not None and m.found is not None and r.found.pixels.shape == m.found.pixels.shape and (r.found.pixels == m.found.pixels).all()
        if same:
            raise InputError(f"{r.name} and {m.name} are the same picture", fix="give each camera's own stills")


def compare_offset(fit: MountFit, before: Mount, tolerance_mm: float) -> list[str]:
    """Lines on an offset measured that is the file's but for scale: that is what a chart of another size looks like."""
    old = before.translation_m * 1000
    new = fit.mount.translation_m * 1000
    lengths = float(np.linalg.norm(old)), float(np.linalg.norm(new))
    if min(lengths) < 5:
        return []
    ratio = lengths[1] / lengths[0]
    bent = float(np.degrees(np.arccos(np.clip(old @ new / (lengths[0] * lengths[1]), -1, 1))))
    off = abs(lengths[1] - lengths[0])
    half = max(f.half_95 for f in fit.figures if f.name.endswith("_mm"))
    if abs(ratio - 1) > 0.02 and bent < 8 and off > 2 * (half + tolerance_mm):
        return [
            f"the lenses come out {lengths[1]:.1f} mm apart, the file has {lengths[0]:.1f} mm the same way: "
            f"if the file is right, the chart was printed at {100 / ratio:.0f} % of the size given here. Measure its bar and add --bar-mm"
        ]
    return []
