"""A camera measured from stills of a chart.

Starting values come from trying lenses of every angle of view and kind on the chart's own flatness, so
nothing has to be typed in. Then Brown-Conrady and Kannala-Brandt lenses with more and fewer figures
are fitted to the same corners, and the data choose: the smallest Bayesian information criterion
(Schwarz, Annals of Statistics 6(2), 1978) among the lenses whose domain covers the picture.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch import progress
from framematch.errors import InputError
from framematch.geometry.camera import Angles, Camera
from framematch.geometry.lens import Lens
from framematch.geometry.lens_models import MODELS
from framematch.measure.bundle import Corners, Solution, solve
from framematch.measure.chart import Chart, Found
from framematch.measure.coverage import advice, reach_percent
from framematch.measure.figure import NORMAL_95, Figure
from framematch.measure.lens_start import lens_starts, rough_fit, sound_corners
from framematch.measure.solved_figures import Model

Floats = NDArray[np.float64]
#: Errors of the corners of one still go together: in rendered stills (noise, blur, JPEG, vignetting) the mean of a
#: still's corner errors is 1.2 to 1.35 times what independent errors would give. All intervals are that much wider.
TOGETHER = 1.2
DEFAULT_WIDTH_MM = 36.0  # of the area read out, when it is not given: angles do not depend on it
MEASURED = tuple(Model(projection=name, radial=radial, tangential=tangential) for name, model in MODELS.items() for radial, tangential in model.solved)


@dataclass(frozen=True, kw_only=True)
class Tried:
    """A lens that was tried: which, its RMS, its information criterion, and whether it covers the picture."""

    model: Model
    rms_px: float
    criterion: float
    covers: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class LensFit:
    """A camera measured from a chart.

    Args:
        camera: as measured.
        model: which figures were solved for.
        figures: each with its 95 % interval.
        angles, angles_95: of the picture, in degrees, and half-widths.
        rms_px: of the distance between seen and computed corners.
        covariance: of the figures, (M, M).
        sigma_px: noise of a coordinate of a corner.
        tried: every lens that was tried.
        used: names of the stills used.
        left_out: (still, reason) of those not used.
        pixels, residual_px: (N, 2) corners used and seen minus computed.
        view: (N,) which used still each corner is from.
        board_mm: (N, 3) of each on the paper.
        turn, shift_mm: (V, 3, 3), (V, 3) chart to camera.
        dropped: single corners left out as wrong.
        advice: what to photograph next.
        warnings: what to know.
    """

    camera: Camera
    model: Model
    figures: tuple[Figure, ...]
    angles: Angles
    angles_95: Angles
    rms_px: float
    covariance: Floats
    sigma_px: float
    tried: tuple[Tried, ...]
    used: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    pixels: Floats
    residual_px: Floats
    view: NDArray[np.int64]
    board_mm: Floats
    turn: Floats
    shift_mm: Floats
    dropped: int
    advice: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def focal_percent_95(self) -> float:
        """Half-width of the focal length that opens the horizontal angle of view as far as its own does, in percent."""
        wider = replace(self.camera, lens=replace(self.camera.lens, focal_mm=1.001 * self.camera.lens.focal_mm))
        per_percent = abs(wider.angles().horizontal - self.angles.horizontal) / 0.1
        return self.angles_95.horizontal / max(per_percent, 1e-9)

    @property
    def centre_px_95(self) -> float:
        """Half-width of the lens centre, the larger of across and down, in pixels."""
        return max((f.half_95 for f in self.figures if f.name.startswith("centre")), default=0.0)


def fit_lens(
    found: Sequence[Found],
    chart: Chart,
    *,
    sensor_mm: tuple[float, float] | None = None,
    squeeze: float = 1.0,
    models: Sequence[Model] | None = None,
    robust: bool = True,
) -> LensFit:
    """Measure a camera from a chart found in its stills.

    Args:
        found: in at least 3 stills of one size.
        chart: as printed.
        sensor_mm: area read out, 36 mm wide if not given (angles and pixels do not depend on it); its height
            follows from its width, since photosites are square.
        squeeze: of an anamorphic lens.
        models: to choose from; all if not given.
        robust: leave out wrong corners and stills.

    Raises:
        InputError: too few stills, stills of different sizes, or no lens that explains them.
    """
    size = _one_size(found)
    if len(found) < 3:
        raise InputError(f"the chart was found in {len(found)} still{'s' * (len(found) != 1)}, 3 are needed", fix="take 12 to 20 stills of the chart")
    width_mm = sensor_mm[0] if sensor_mm else DEFAULT_WIDTH_MM
    sensor = (width_mm, width_mm * size[1] / size[0])  # photosites are square
    blank = Camera(lens=Lens(projection="rectilinear", focal_mm=sensor[0], squeeze=squeeze), sensor_mm=sensor, raster_px=size)
    corners = _gathered(found, chart)
    asked = tuple(models) if models else MEASURED
    starts = lens_starts(blank, corners, {m.projection for m in asked})
    if not starts:
        raise InputError("no lens explains where the chart's corners are", fix="check the chart's name, and that the stills are the camera's own, uncropped")
    names = [f.still for f in found]
    solutions, tried, corners, left_out, dropped = _fit_all(starts, corners, asked, names, robust=robust)
    best = _chosen(tried)
    return _result(solutions[best], tried[best].model, corners, tuple(tried), names, left_out, dropped)


def _one_size(found: Sequence[Found]) -> tuple[int, int]:
    sizes = {f.size_px: f.still for f in found}
    if len(sizes) > 1:
        (a, file_a), (b, file_b) = list(sizes.items())[:2]
        raise InputError(
            f"{file_a} is {a[0]} x {a[1]} pixels but {file_b} is {b[0]} x {b[1]}",
            fix="use stills of one camera in one mode, all held the same way up",
        )
    if not sizes:
        raise InputError("the chart was found in none of the stills", fix="check the chart's name, focus and light")
    return next(iter(sizes))


def _gathered(found: Sequence[Found], chart: Chart, camera: int = 0) -> Corners:
    points = chart.points_mm
    return Corners(
        camera=np.concatenate([np.full(len(f.ids), camera) for f in found]),
        view=np.concatenate([np.full(len(f.ids), i) for i, f in enumerate(found)]),
        board_mm=np.concatenate([points[f.ids] for f in found]),
        pixels=np.concatenate([f.pixels for f in found]),
    )


def _fit_all(
    starts: dict[str, Camera], corners: Corners, asked: Sequence[Model], names: Sequence[str], *, robust: bool
) -> tuple[list[Solution], list[Tried], Corners, dict[str, str], int]:
    """Every lens asked for, on the same corners; the wrong ones are left out by the best rough fit."""
    rough = {}
    for kind, camera in starts.items():
        solution = rough_fit(camera, corners, kind)
        if solution is not None:
            rough[kind] = solution
    if not rough:
        raise InputError("no lens explains where the chart's corners are", fix="check the chart's name, and that the stills are the camera's own")
    typical = {kind: float(np.nanmedian(np.hypot(*s.residual_px.T))) for kind, s in rough.items()}
    kind = min(typical, key=lambda name: typical[name])
    left_out: dict[str, str] = {}
    keep = np.asarray(np.isfinite(rough[kind].residual_px).all(axis=1))
    if robust:
        keep, left_out = sound_corners(rough[kind].residual_px, corners, names)
    views = np.unique(corners.view[keep])
    if len(views) < 3:
        raise InputError("the stills do not agree with each other", fix="check that they are of one camera in one mode and of one flat chart")
    dropped = int((~keep & np.isin(corners.view, views)).sum())
    kept = corners.only(keep)
    kept = replace(kept, view=np.searchsorted(views, kept.view))
    solutions, tried = [], []
    for model in asked:
        if model.projection not in rough or typical[model.projection] > 8 * typical[kind] + 0.5:
            continue
        progress.step(f"Fitting a lens, {model.label}")
        state = rough[model.projection].state
        state = replace(state, turn=state.turn[views], shift_mm=state.shift_mm[views])
        camera = replace(state.cameras[0], lens=replace(state.cameras[0].lens, k=state.cameras[0].lens.k[: model.radial], p=(0.0, 0.0)))
        solution = solve(replace(state, cameras=(camera,)), kept, [model])
        if not np.isfinite(solution.residual_px).all():
            continue
        count = 2 * len(kept.view)
        total = float((solution.residual_px**2).sum())
        figures = len(model.figures) + 6 * len(views)
        if count - figures < 10:
            continue
        criterion = count * math.log(max(total / count, 1e-12)) + figures * math.log(count)
        tried.append(Tried(model=model, rms_px=math.sqrt(2 * total / count), criterion=criterion, covers=_covers(solution.state.cameras[0], kept)))
        solutions.append(solution)
    if not tried:
        raise InputError("too few corners for any lens", fix="take more stills of the chart")
    return solutions, tried, kept, left_out, dropped


def _covers(camera: Camera, corners: Corners) -> bool:
    """Whether the lens images the whole picture, or its image circle at least reaches past every corner seen."""
    width, height = camera.raster_px
    border = camera.picture.border(np.linspace(0, 4, 65)[:-1])
    if camera.unproject(border)[1].all():
        return True
    if camera.lens.model.bare_name == "rectilinear":  # it has no image circle
        return False
    farthest = np.hypot(*(corners.pixels - camera.centre_px).T).max()
    middles = np.array([(0, height / 2), (width, height / 2)])
    return bool(camera.unproject(middles)[1].all() or farthest < 0.9 * camera.lens.end_mm * camera.pixels_per_mm[1])


def _chosen(tried: Sequence[Tried]) -> int:
    able = [i for i, t in enumerate(tried) if t.covers] or list(range(len(tried)))
    return min(able, key=lambda i: tried[i].criterion)


def angles_95(camera: Camera, model: Model, covariance: Floats) -> Angles:
    """Half-widths of the 95 % intervals of the angles of view, in degrees."""
    values = model.values(camera)
    sigma = np.sqrt(np.maximum(np.diag(covariance), 0))
    columns = []
    for i, step in enumerate(np.maximum(0.1 * sigma, 1e-9 * np.maximum(np.abs(values), 1))):
        move = np.zeros_like(values)
        move[i] = step
        up, down = (model.camera(camera, values + s * move).angles() for s in (1, -1))
        columns.append([(getattr(up, n) - getattr(down, n)) / (2 * step) for n in ("horizontal", "vertical", "diagonal")])
    slopes = np.array(columns).T
    half = NORMAL_95 * np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", slopes, covariance, slopes), 0))
    return Angles(horizontal=float(half[0]), vertical=float(half[1]), diagonal=float(half[2]))


def _result(
    solution: Solution, model: Model, corners: Corners, tried: tuple[Tried, ...], names: Sequence[str], left_out: dict[str, str], dropped: int
) -> LensFit:
    camera = solution.state.cameras[0]
    covariance = solution.covariance * TOGETHER**2
    half = NORMAL_95 * np.sqrt(np.maximum(np.diag(covariance), 0))
    used = tuple(name for name in names if name not in left_out)
    size = np.hypot(*solution.residual_px.T)
    warnings = []
    if not solution.settled:
        warnings.append("the solve did not settle: take the figures as rough")
    stretch, stretch_95 = chart_stretch(solution, model, corners)
    if abs(stretch) > max(0.003, 1.5 * stretch_95):
        warnings.append(f"the chart seems {100 * abs(stretch):.1f} % {'longer' if stretch > 0 else 'shorter'} across than down: measure its squares both ways")
    reach = reach_percent(corners.pixels, camera)
    if reach < 80:
        warnings.append(f"corners reach {reach:.0f} % of the way to the picture's corners: beyond that the lens is guessed, not measured")
    return LensFit(
        camera=camera,
        model=model,
        figures=tuple(Figure(name=n, value=float(v), half_95=float(h)) for n, v, h in zip(model.figures, model.values(camera), half, strict=True)),
        angles=camera.angles(),
        angles_95=angles_95(camera, model, covariance),
        rms_px=float(np.sqrt((size**2).mean())),
        covariance=covariance,
        sigma_px=float(solution.sigma_px[0]),
        tried=tried,
        used=used,
        left_out=tuple(left_out.items()),
        pixels=corners.pixels,
        residual_px=solution.residual_px,
        view=corners.view,
        board_mm=corners.board_mm,
        turn=solution.state.turn,
        shift_mm=solution.state.shift_mm,
        dropped=dropped,
        advice=tuple(advice(corners.pixels, camera, solution.state.turn, len(used))),
        warnings=tuple(warnings),
    )


def chart_stretch(solution: Solution, model: Model, corners: Corners) -> tuple[float, float]:
    """By how much the chart is longer across than down than its name says, and the half-width of the 95 % interval.

    Found by solving again on a chart stretched a little each way and taking the parabola's lowest point.
    """
    step = 2e-3
    sigma = float(solution.sigma_px[0])
    costs = []
    for stretch in (-step, 0.0, step):
        board = corners.board_mm * (1 + stretch, 1, 1)
        again = solve(solution.state, replace(corners, board_mm=board), [model], steps=15)
        costs.append(float((again.residual_px**2).sum()) / sigma**2)
    bend = (costs[0] - 2 * costs[1] + costs[2]) / step**2
    if not bend > 0:
        return 0.0, math.inf
    return (costs[0] - costs[2]) / (2 * step) / bend, NORMAL_95 * math.sqrt(2 / bend)
