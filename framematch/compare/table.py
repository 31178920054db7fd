"""One row per lens: everything that there is to say about a lens for this gap, run and aircraft."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.compare.clearance import Clearance, clearance
from framematch.compare.props import PropsReport, props_in_frame
from framematch.compare.second import Match, match_second
from framematch.compare.seen import NEAREST_M, Curves, Exit, curves, exits, out_of_frame_m
from framematch.errors import InputError
from framematch.geometry.camera import Angles, Camera, Rect, equivalent_135_mm, frame_in
from framematch.geometry.lens_local import Stretch, stretch_at
from framematch.geometry.pairing import Pairing
from framematch.optics import sharpness as optics
from framematch.optics.motion import Margin, image_velocity_px_s, lean_deg, stabiliser_margin
from framematch.progress import step
from framematch.shot.lenses import camera_with, covers_frame, focus_of
from framematch.shot.opening import SIDES, Opening
from framematch.shot.run import Run
from framematch.shot.shot import Shot
from framematch.shot.values import Candidate, Second, Subject

Floats = NDArray[np.float64]

CURVE_POINTS = 400
NEAR_END_M = 0.1  # where the curves end
FAR_END_M = 30.0  # where they start for a range that ends at infinity


@dataclass(frozen=True, kw_only=True)
class AtDistance:
    """A lens at one distance before the gap; NaN where there is nothing to say.

    Args:
        shown_m: width and height of the gap's plane that the frame shows, along its middle row and column.
        edges_in_frame: those of the gap's edges that are at least partly in the frame.
        gap_speed, ground_speed: frame widths per second; the gap's is its fastest edge in the frame.
        blur_percent, blur_px: of that edge while the shutter is open, of the frame's width and in
            recorded pixels.
        lean_deg: of the gap's upright edges by row-by-row readout; NaN if no readout time is known.
        gap_spot_um, gap_spot_px: of a point of the gap, blur disk and diffraction together.
        subject_percent, subject_speed: each subject's height in the frame and speed.
    """

    distance_m: float
    shown_m: tuple[float, float]
    fill_percent: float
    width_percent: float
    height_percent: float
    edges_in_frame: tuple[str, ...]
    gap_speed: float
    ground_speed: float
    blur_percent: float
    blur_px: float
    lean_deg: float
    gap_spot_um: float
    gap_spot_px: float
    subject_percent: tuple[float, ...]
    subject_speed: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Soft:
    """The nearest that something comes while in the frame, and how soft it is there.

    Args:
        spot_um, spot_px: diameter that a point becomes.
        circles: that diameter over the largest that passes for sharp; above 1 it is soft.
    """

    name: str
    depth_m: float
    spot_um: float
    spot_px: float
    circles: float


@dataclass(frozen=True, kw_only=True)
class Sharpness:
    """What is sharp at the pairing's focus and stop."""

    f_number: float
    focus_m: float
    circle_um: float
    airy_um: float
    hyperfocal_m: float
    near_m: float
    far_m: float
    nearest: tuple[Soft, ...]


@dataclass(frozen=True, kw_only=True)
class GuideQuality:
    """The goggles' guide with this lens: its worst error over the range, percent of the frame, and what they can't show."""

    rectangle_worst_percent: float
    outline_worst_percent: float
    unseen_percent: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Row:
    """One lens."""

    candidate: Candidate
    camera: Camera
    angles: Angles
    equivalent_135_mm: float
    at: tuple[AtDistance, ...]
    exits: tuple[Exit, ...]
    out_of_frame_m: tuple[tuple[float, float], ...]
    curves: Curves
    sharp: Sharpness | None
    corner: Stretch
    margin: Margin
    props: PropsReport
    guide: GuideQuality | None
    notes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """All lenses for one shot.

    Args:
        matches: how to set the shot's second camera for each lens; None for a lens that it can't match.
    """

    pairing: Pairing
    shot: Shot
    rows: tuple[Row, ...]
    clearance: Clearance | None
    matches: tuple[Match | None, ...] = ()


def compare(pairing: Pairing, shot: Shot, candidates: tuple[Candidate, ...] = (), *, guide: bool = False) -> Comparison:
    """Put lenses side by side.

    Args:
        candidates: the shot's own if none are given.
        guide: work out the goggles' guide with each lens too (a fraction of a second each).

    Raises:
        InputError: no lens, no opening, or the run can't be filmed as given.
    """
    candidates, gap, run, second = candidates or shot.candidates, shot.opening, shot.run, shot.second
    if not candidates:
        raise InputError("no lens to compare", field="focal", fix="give focal lengths, such as --focal 12,15,18,25")
    if float(run.direction @ run.opening_from_camera[:, 2]) <= 0:
        raise InputError("the recording camera looks away from where the run goes", field="run.pan_deg", fix="give a smaller pan or tilt")
    rows = []
    for i, candidate in enumerate(candidates, 1):
        step(f"Lens {i} of {len(candidates)}: {candidate.name}")
        rows.append(lens_row(pairing, shot, candidate, guide=guide))
    return Comparison(
        pairing=pairing,
        shot=shot,
        rows=tuple(rows),
        clearance=None if shot.aircraft is None else clearance(gap, run, shot.aircraft),
        matches=() if second is None else tuple(_match(pairing, gap, run, row.camera, second) for row in rows),
    )


def lens_row(pairing: Pairing, shot: Shot, candidate: Candidate, *, guide: bool = False) -> Row:
    """One lens on the pairing's recording camera."""
    gap, run, subjects, aircraft = shot.opening, shot.run, shot.subjects, shot.aircraft
    camera, frame = camera_with(pairing, candidate), pairing.frame
    far = start_m(pairing, run)
    curve = curves(camera, frame, gap, run, distance_m=np.geomspace(far, NEAR_END_M, CURVE_POINTS), subjects=subjects)
    leaving = exits(camera, frame, gap, run, far_m=far)
    angles = camera.angles(frame)
    return Row(
        candidate=candidate,
        camera=camera,
        angles=angles,
        equivalent_135_mm=equivalent_135_mm(angles.diagonal),
        at=_at(pairing, gap, run, candidate, camera, subjects),
        exits=leaving,
        out_of_frame_m=out_of_frame_m(curve),
        curves=curve,
        sharp=_sharp(pairing, gap, run, candidate, camera, subjects, curve, leaving),
        corner=_corner(camera, frame),
        margin=stabiliser_margin(camera, frame_in(camera.raster_px, keep_percent=pairing.keep_percent)),
        props=props_in_frame(camera, frame, aircraft) if aircraft is not None else PropsReport(in_shot=(), total_percent=0.0, clear_tilts_deg=()),
        guide=guide_quality(replace(pairing, recording=camera)) if guide else None,
        notes=_notes(pairing, candidate, camera),
    )


def _match(pairing: Pairing, gap: Opening, run: Run, camera: Camera, second: Second) -> Match | None:
    try:
        return match_second(
            camera,
            pairing.frame,
            gap,
            run,
            second=second.camera,
            second_frame=second.frame,
            second_shutter_s=second.shutter_s,
            at_m=second.at_m,
        )
    except InputError:  # no lens of its projection shows as much, or the run does not look at the wall there
        return None


def start_m(pairing: Pairing, run: Run) -> float:
    """Where the run is followed from, before the gap."""
    return max(pairing.far_m if math.isfinite(pairing.far_m) else FAR_END_M, *run.distances_m, 1.0)


def shown_m(camera: Camera, frame: Rect, run: Run, *, distance_m: float) -> tuple[float, float]:
    """Width and height of the gap's plane between the frame's edges, on its middle row and column; NaN if it is not met."""
    x, y = (frame.left + frame.right) / 2, (frame.top + frame.bottom) / 2
    rays, ok = camera.unproject([(frame.left, y), (frame.right, y), (x, frame.top), (x, frame.bottom)])
    ahead = rays @ run.opening_from_camera.T
    away = np.where(ok & (ahead[:, 2] > 1e-9), -run.camera_m(distance_m)[2] / np.maximum(ahead[:, 2], 1e-9), np.nan)
    points = ahead * away[:, None]
    return float(np.linalg.norm(points[1] - points[0])), float(np.linalg.norm(points[3] - points[2]))


def guide_quality(pairing: Pairing) -> GuideQuality:
    """The guide's worst errors over the pairing's range, and the largest share of the frame's border that is not seen."""
    from framematch.guide.best import best_guide
    from framematch.guide.outline import outline

    try:
        found = best_guide(pairing)
    except InputError:  # the frame is nowhere on the display
        return GuideQuality(rectangle_worst_percent=math.nan, outline_worst_percent=math.nan, unseen_percent=100.0)
    unseen = max(outline(pairing, d).unseen_percent for d in (pairing.near_m, found.set_distance_m, pairing.far_m))
    return GuideQuality(
        rectangle_worst_percent=found.rectangle_worst_error_percent,
        outline_worst_percent=found.outline_worst_error_percent,
        unseen_percent=unseen,
    )


def _at(pairing: Pairing, gap: Opening, run: Run, candidate: Candidate, camera: Camera, subjects: tuple[Subject, ...]) -> tuple[AtDistance, ...]:
    frame = pairing.frame
    c = curves(camera, frame, gap, run, distance_m=run.distances_m, subjects=subjects, per_edge=64)
    seen = run.seen_from(gap.outline(2), run.distances_m)  # each edge's first point and middle
    depth = seen[:, 1::2, 2].mean(axis=1)
    fastest = np.nanmax(np.where(np.isnan(c.edge_speed).all(axis=1, keepdims=True), [[0.0]], c.edge_speed), axis=1)
    fastest = np.where(np.isnan(c.edge_speed).all(axis=1), np.nan, fastest)
    upright = image_velocity_px_s(camera, seen[:, [1, 5]], velocity_m_s=run.velocity_m_s)[..., 0]
    off = np.isnan(c.edge_speed[:, [0, 2]])
    upright = np.where(off, 0.0, upright)
    lean = np.abs(lean_deg(camera, across_px_s=upright, readout_s=(camera.readout_ms or 0.0) / 1000)).max(axis=1)
    spot = _spot_mm(pairing, candidate, depth)
    return tuple(
        AtDistance(
            distance_m=float(d),
            shown_m=shown_m(camera, frame, run, distance_m=float(d)),
            fill_percent=float(c.fill_percent[i]),
            width_percent=float(c.width_percent[i]),
            height_percent=float(c.height_percent[i]),
            edges_in_frame=tuple(side for side, there in zip(SIDES, c.edge_in_frame[i], strict=True) if there),
            gap_speed=float(fastest[i]),
            ground_speed=float(c.ground_speed[i]),
            blur_percent=float(100 * fastest[i] * run.shutter_s),
            blur_px=float(fastest[i] * run.shutter_s * frame.width),
            lean_deg=math.nan if camera.readout_ms is None or off[i].all() else float(lean[i]),
            gap_spot_um=float(1000 * spot[i]),
            gap_spot_px=float(spot[i] * camera.pixels_per_mm[1]),
            subject_percent=tuple(float(v) for v in c.subject_percent[i]),
            subject_speed=tuple(float(v) for v in c.subject_speed[i]),
        )
        for i, d in enumerate(run.distances_m)
    )


def _spot_mm(pairing: Pairing, candidate: Candidate, depth_m: Floats) -> Floats:
    if pairing.f_number is None:
        return np.full(np.shape(depth_m), np.nan)
    return optics.spot_mm(focal_mm=candidate.lens.focal_mm, f_number=pairing.f_number, focus_m=focus_of(pairing, candidate), depth_m=depth_m)


def _sharp(
    pairing: Pairing,
    gap: Opening,
    run: Run,
    candidate: Candidate,
    camera: Camera,
    subjects: tuple[Subject, ...],
    curve: Curves,
    leaving: tuple[Exit, ...],
) -> Sharpness | None:
    if pairing.f_number is None:
        return None
    circle, focal, focus = optics.circle_mm(frame_mm=pairing.frame_mm), candidate.lens.focal_mm, focus_of(pairing, candidate)
    depth = optics.depth_of_field(focal_mm=focal, f_number=pairing.f_number, circle_mm=circle, focus_m=focus)
    places = [("gap", gap_nearest_m(camera, pairing.frame, gap, run, leaving))]
    for i, subject in enumerate(subjects):
        there = ~np.isnan(curve.subject_speed[:, i])
        places.append((subject.name, float(curve.subject_depth_m[there, i].min()) if there.any() else math.nan))
    soft = []
    for name, place in places:
        spot = float(_spot_mm(pairing, candidate, np.array(place)))
        soft.append(Soft(name=name, depth_m=place, spot_um=1000 * spot, spot_px=spot * float(camera.pixels_per_mm[1]), circles=spot / circle))
    return Sharpness(
        f_number=pairing.f_number,
        focus_m=focus,
        circle_um=1000 * circle,
        airy_um=1000 * optics.airy_disk_mm(f_number=pairing.f_number),
        hyperfocal_m=optics.hyperfocal_m(focal_mm=focal, f_number=pairing.f_number, circle_mm=circle),
        near_m=depth.near_m,
        far_m=depth.far_m,
        nearest=tuple(soft),
    )


def gap_nearest_m(camera: Camera, frame: Rect, gap: Opening, run: Run, leaving: tuple[Exit, ...]) -> float:
    """Depth along the camera's axis of the gap's edge that stays in the frame longest, as it leaves; NaN if none is ever in."""
    seen = [(e.leaves_m, e.side) for e in leaving if e.leaves_m is not None]
    if not seen:
        return math.nan
    last, side = min(seen)
    points = run.seen_from(gap.edge(side, 65), max(last, NEAREST_M) * (1 + 1e-6))
    px, ok = camera.project(points)
    off = np.maximum.reduce([frame.left - px[:, 0], px[:, 0] - frame.right, frame.top - px[:, 1], px[:, 1] - frame.bottom])
    still = ok & (off <= max(0.0, float(np.nanmin(np.where(ok, off, np.nan)))) + 1e-9) if ok.any() else ok
    return float(points[still, 2].min()) if still.any() else math.nan


def _corner(camera: Camera, frame: Rect) -> Stretch:
    corners = [(x, y) for x in (frame.left, frame.right) for y in (frame.top, frame.bottom)]
    found = [stretch_at(camera, c) for c in corners]
    return max(found, key=lambda s: -1.0 if math.isnan(s.ratio) else abs(math.log(s.ratio)))


def _notes(pairing: Pairing, candidate: Candidate, camera: Camera) -> tuple[str, ...]:
    notes = list(candidate.notes)
    if not covers_frame(pairing, camera):
        notes.append("does not cover the frame: its corners lie outside the image circle")
    if focus_of(pairing, candidate) > pairing.focus_m:
        notes.append(f"can't focus nearer than {candidate.closest_m:g} m; taken at that")
    stop = pairing.f_number
    if stop is None:
        notes.append("no stop given, so nothing is said about sharpness")
    elif candidate.widest_f and stop < candidate.widest_f:
        notes.append(f"has no f/{stop:g}: opens to f/{candidate.widest_f:g}")
    elif candidate.deepest_f and stop > candidate.deepest_f:
        notes.append(f"has no f/{stop:g}: stops down to f/{candidate.deepest_f:g}")
    return tuple(notes)
