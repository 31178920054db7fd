"""The questions the other way round: the lens, distance or stop that a wish needs, or why there is none."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framematch.compare.seen import cone_rad, curves, project_held
from framematch.errors import InputError
from framematch.geometry.camera import Camera, Rect
from framematch.geometry.pairing import Pairing
from framematch.guide.shown import metres, quantity
from framematch.optics.sharpness import MINIMUM_APERTURE, airy_disk_mm, f_number_for_near
from framematch.shot.lenses import LONGEST_MM, SHORTEST_MM, camera_with, candidate_of, covers_frame, own_lens
from framematch.shot.opening import Opening
from framematch.shot.run import Run
from framematch.shot.values import Candidate, Subject

Floats = NDArray[np.float64]
_FINE = 64
MEASURES = ("area", "width", "height")


@dataclass(frozen=True, kw_only=True)
class Answer:
    """An answer to a wish: a value with its unit, or none; always one plain line that says it."""

    value: float | None
    unit: str
    says: str


def focal_for_fill(pairing: Pairing, gap: Opening, run: Run, *, percent: float, at_m: float, of: str = "area") -> Answer:
    """Focal length for which the gap fills so much of the frame at a distance before it.

    Args:
        of: ``area``; ``width`` or ``height``: the opening's, as a share of the frame's (may pass 100).
    """
    if of not in MEASURES:
        raise InputError(f"{of!r} is not a measure of fill", field="of", fix=f"use one of {', '.join(MEASURES)}")
    _above_0(percent=percent, at_m=at_m)
    wish = f"Gap filling {percent:g} % of the frame's {of} at {metres(at_m)}"
    if of == "area" and percent >= 100:
        return Answer(value=None, unit="mm", says=f"{wish}: ask for less than 100 %; any lens long enough is filled whole")

    def fill(camera: Camera) -> float:
        curve = curves(camera, pairing.frame, gap, run, distance_m=at_m, per_edge=_FINE)
        return float({"area": curve.fill_percent, "width": curve.width_percent, "height": curve.height_percent}[of][0])

    return _focal_for(pairing, fill, percent, wish, "the gap fills")


def focal_for_subject(pairing: Pairing, gap: Opening, run: Run, subject: Subject, *, percent: float, at_m: float) -> Answer:
    """Focal length for which a subject has so much of the frame's height, ``at_m`` before the gap."""
    _above_0(percent=percent)
    wish = f"{subject.name} at {percent:g} % of the frame's height, {metres(at_m)} before the gap"
    depth = float(run.seen_from(subject.points_m(gap)[1:2], at_m)[0, 2])
    if depth <= 0:
        return Answer(value=None, unit="mm", says=f"{wish}: it is behind the camera there")

    answer = _focal_for(pairing, lambda camera: _tall(camera, pairing.frame, gap, run, subject, at_m), percent, wish, f"{subject.name} has")
    if answer.value is None:
        return answer
    middle, _ = wished_camera(pairing, answer.value).project(run.seen_from(subject.points_m(gap)[1:2], at_m)[0])
    off = "" if pairing.frame.contains(middle) else ", but it stands outside the frame there"
    return Answer(value=answer.value, unit="mm", says=answer.says + off)


def focal_for_edges(pairing: Pairing, gap: Opening, run: Run, *, until_m: float, side: str | None = None) -> Answer:
    """Longest focal length that keeps the gap's edges whole in the frame until a distance before it.

    Args:
        side: only this edge; all four if not given.
    """
    _above_0(until_m=until_m)
    far = _far_m(pairing, until_m)
    outline = gap.outline(_FINE) if side is None else gap.edge(side, _FINE + 1)
    seen = run.seen_from(outline, np.geomspace(far, until_m, 65))
    wish = f"{'All edges' if side is None else f'The {side} edge'} whole in the frame until {metres(until_m)}"

    def kept(focal_mm: float) -> bool:
        camera = _camera(pairing, focal_mm)
        if camera is None:
            return False
        return bool(pairing.frame.contains(project_held(camera, seen, cone_rad(camera, pairing.frame))).all())

    grid = np.geomspace(SHORTEST_MM, LONGEST_MM, 121)
    works = np.array([kept(f) for f in grid])
    if not works.any():
        return Answer(value=None, unit="mm", says=f"{wish}: no lens of this projection does, from where this run comes and looks")
    last = int(np.flatnonzero(works)[-1])
    if last == len(grid) - 1:
        return Answer(value=None, unit="mm", says=f"{wish}: every lens up to {LONGEST_MM:g} mm does")
    low, high = float(grid[last]), float(grid[last + 1])
    while high - low > 1e-9 * high:
        middle = (low + high) / 2
        low, high = (middle, high) if kept(middle) else (low, middle)
    return Answer(value=low, unit="mm", says=f"{wish}: {low:.1f} mm or shorter")


def distance_for_subject(camera: Camera, frame: Rect, gap: Opening, run: Run, subject: Subject, *, percent: float, far_m: float = 500.0) -> Answer:
    """Distance before the gap (- after it) at which a subject first has so much of the frame's height."""
    from scipy.optimize import brentq

    _above_0(percent=percent)
    wish = f"{subject.name} at {percent:g} % of the frame's height"
    middle = subject.points_m(gap)[1]
    gone = _passing_m(run, middle)
    if far_m <= gone:
        return Answer(value=None, unit="m", says=f"{wish}: it is behind the camera from the start")

    def height(distance: Floats) -> Floats:
        """NaN while its middle is not in the frame."""
        found = curves(camera, frame, gap, run, distance_m=distance, subjects=(subject,), per_edge=1)
        return np.where(np.isnan(found.subject_speed[:, 0]), np.nan, found.subject_percent[:, 0])

    distance = gone + np.geomspace(far_m - gone, 1e-3, 400)
    tall = height(distance)
    over = np.flatnonzero(np.nan_to_num(tall) >= percent)
    if not len(over):
        if not np.isfinite(tall).any():
            return Answer(value=None, unit="m", says=f"{wish}: it is never in the frame on this run")
        return Answer(value=None, unit="m", says=f"{wish}: never while it is in the frame, {float(np.nanmax(tall)):.0f} % at most")
    first = int(over[0])
    if first == 0 or np.isnan(tall[first - 1]):
        return Answer(value=None, unit="m", says=f"{wish}: {tall[first]:.0f} % already where it is first seen, {_before(float(distance[first]))}")
    value = float(brentq(lambda d: _tall(camera, frame, gap, run, subject, d) - percent, distance[first], distance[first - 1], xtol=1e-9))
    return Answer(value=value, unit="m", says=f"{wish}: {_before(value)}")


def stop_for_near(candidate: Candidate, *, circle_mm: float, focus_m: float, near_m: float) -> Answer:
    """Widest stop of a lens whose near limit is ``near_m``, with the focus where it is."""
    wish = f"{candidate.name} with its near limit at {metres(near_m)}, focused at {metres(focus_m)}"
    focal = candidate.lens.focal_mm
    if not near_m > focal / 1000:
        return Answer(value=None, unit="f", says=f"{wish}: that is inside the lens's focal length, no stop does it")
    stop = f_number_for_near(focal_mm=focal, circle_mm=circle_mm, focus_m=focus_m, near_m=near_m)
    deepest = candidate.deepest_f or MINIMUM_APERTURE
    if stop > deepest:
        has = "the lens's minimum aperture" if candidate.deepest_f else "the smallest aperture to count on"
        return Answer(value=None, unit="f", says=f"{wish}: it would take f/{stop:.1f}, smaller than f/{deepest:g}, {has}; focus nearer or take a shorter lens")
    widest = candidate.widest_f or 0.0
    if stop <= widest or stop == 0:
        return Answer(value=widest or None, unit="f", says=f"{wish}: any stop does it" + (f", f/{widest:g} already" if widest else ""))
    note = "" if airy_disk_mm(f_number=stop) <= circle_mm else ", though diffraction alone is then larger than the circle of confusion"
    return Answer(value=stop, unit="f", says=f"{wish}: f/{stop:.1f} or smaller{note}")


def _tall(camera: Camera, frame: Rect, gap: Opening, run: Run, subject: Subject, distance_m: float) -> float:
    return float(curves(camera, frame, gap, run, distance_m=distance_m, subjects=(subject,), per_edge=1).subject_percent[0, 0])


def _before(distance_m: float) -> str:
    return f"{quantity(abs(distance_m), 'm', '.2f')} {'before' if distance_m >= 0 else 'after'} the gap"


def _focal_for(pairing: Pairing, measure: Callable[[Camera], float], percent: float, wish: str, what: str) -> Answer:
    from scipy.optimize import brentq

    def value(focal_mm: float) -> float:
        camera = _camera(pairing, focal_mm)
        return math.nan if camera is None else measure(camera)

    grid = np.geomspace(SHORTEST_MM, LONGEST_MM, 121)
    values = np.array([value(f) for f in grid])
    below = values[:-1] < percent
    up = np.flatnonzero(below & (values[1:] >= percent))
    if not len(up):
        if not np.isfinite(values).any():
            return Answer(value=None, unit="mm", says=f"{wish}: no lens of this projection shows it from there")
        best = int(np.nanargmax(values))
        if values[best] < percent:
            return Answer(value=None, unit="mm", says=f"{wish}: no lens does, {what} {values[best]:.1f} % at most (with {grid[best]:.0f} mm)")
        least = float(np.nanmin(values))
        return Answer(value=None, unit="mm", says=f"{wish}: {what} at least {least:.1f} % with every lens that covers this frame")
    first = int(up[0])
    focal = float(brentq(lambda f: value(f) - percent, grid[first], grid[first + 1], xtol=1e-10, rtol=1e-12))
    return Answer(value=focal, unit="mm", says=f"{wish}: {focal:.1f} mm")


def _camera(pairing: Pairing, focal_mm: float) -> Camera | None:
    if not pairing.focus_m > focal_mm / 1000:
        return None
    camera = camera_with(pairing, candidate_of(pairing, focal_mm))
    return camera if covers_frame(pairing, camera) else None


def _far_m(pairing: Pairing, until_m: float) -> float:
    return max(pairing.far_m if math.isfinite(pairing.far_m) else 100.0, until_m)


def _passing_m(run: Run, point: Floats) -> float:
    """Distance before the gap at which a point is abeam of the camera."""
    axis = run.opening_from_camera[:, 2]
    ahead_at_0 = float((point - run.camera_m(0.0)) @ axis)
    closing = float(run.direction @ axis)
    return -ahead_at_0 / closing if closing > 0 else math.inf


def wished_camera(pairing: Pairing, focal_mm: float) -> Camera:
    """The recording camera with the lens that a wish answered with.

    Raises:
        InputError: such a lens can't be focused there or does not cover the frame.
    """
    camera = _camera(pairing, focal_mm)
    if camera is None:
        raise InputError(f"{focal_mm:g} mm of {own_lens(pairing).projection} does not cover the frame", field="focal_mm", fix="take a longer lens")
    return camera


def _above_0(**figures: float) -> None:
    for name, figure in figures.items():
        if not (math.isfinite(figure) and figure > 0):
            raise InputError(f"{figure} is not above 0", field=name, fix="give a number above 0")
