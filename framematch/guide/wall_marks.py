"""Marks on a wall to check a guide on the bench: where to tape them, where they must show, what to mend.

The wall stands square to the recording lens's axis at a distance from its entrance pupil. Marks are
measured from the point where that axis meets the wall: right and up, as seen from the rig. What is
seen on the display is compared with what should be seen in four readings, each of which points at one
part of the mount; the table turns a reading into degrees and millimetres. At one distance a turn and a
shift look alike: both are given, either mends the picture there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.geometry.camera import Rect
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing
from framematch.guide.transfer import inverse_m, to_display

Floats = NDArray[np.float64]

#: Name and place along the frame: across from its left edge, down from its top edge, as shares.
PLACES: dict[str, tuple[float, float]] = {
    "top left": (0.0, 0.0),
    "top right": (1.0, 0.0),
    "bottom right": (1.0, 1.0),
    "bottom left": (0.0, 1.0),
    "centre": (0.5, 0.5),
}
FARTHEST_WALL_M = 1000
FARTHEST_TURN_DEG = 20.0
STEPS_PX = (-40.0, -20.0, -10.0, -5.0, 5.0, 10.0, 20.0, 40.0)


@dataclass(frozen=True, kw_only=True)
class Mark:
    """One mark: where to tape it, and where it must show.

    Args:
        right_mm, up_mm: on the wall, from where the recording lens's axis meets it.
        recorded_px: its place in the recorded picture.
        display_px: its place on the display; NaN where the monitoring lens does not image it.
        shown: whether that place lies on the display's picture.
    """

    name: str
    right_mm: float
    up_mm: float
    recorded_px: tuple[float, float]
    display_px: tuple[float, float]
    shown: bool


@dataclass(frozen=True, kw_only=True)
class Readings:
    """What is seen less what should be seen, in display pixels.

    Args:
        right_px: all marks sit right (+) or left (-).
        low_px: all marks sit low (+) or high (-).
        turned_px: the right marks sit lower (+) than the left ones, by this much more.
        spread_px: the right marks sit farther from the left ones (+), by this much more.
    """

    right_px: float
    low_px: float
    turned_px: float
    spread_px: float


@dataclass(frozen=True, kw_only=True)
class Cause:
    """What one part of the mount does to one reading.

    Args:
        reading: field of :class:`Readings`.
        part: field of :class:`~framematch.geometry.mount.Mount`.
        steps: pairs of a reading in px and by how much that part is then off, in the part's own unit
            (+ means it is really more to the right, up, forward or clockwise than the pairing says);
            NaN where no error within reach gives that reading.
        per_px: the same for a small reading, per pixel.
    """

    reading: str
    part: str
    steps: tuple[tuple[float, float], ...]
    per_px: float


#: Reading, part of the mount, and how far off that part may be looked for (its own unit).
_CAUSES = (
    ("right_px", "pan_deg", 20.0),
    ("right_px", "right_mm", 400.0),
    ("low_px", "tilt_deg", 20.0),
    ("low_px", "up_mm", 400.0),
    ("turned_px", "roll_deg", 20.0),
    ("spread_px", "forward_mm", 400.0),
)


def wall_marks(pairing: Pairing, distance_m: float) -> tuple[Mark, ...]:
    """The marks for the frame's corners and centre on a wall.

    Raises:
        InputError: the distance is not in front of both lenses, or the recording lens does not image the frame's corners.
    """
    _check_distance(pairing, distance_m)
    frame = pairing.frame
    recorded = np.array([(frame.left + u * frame.width, frame.top + v * frame.height) for u, v in PLACES.values()])
    rays, ok = pairing.recording.unproject(recorded)
    if not (ok & (rays[..., 2] > 0)).all():
        raise InputError("the recording lens does not image the frame's corners ahead of it", field="recording", fix="check its lens figures")
    wall = 1000 * distance_m * rays[:, :2] / rays[:, 2:]
    pixels, imaged = to_display(pairing, recorded, inverse_m(distance_m))
    shown = imaged & pairing.display.shown.contains(pixels)
    return tuple(
        Mark(
            name=name,
            right_mm=float(x),
            up_mm=float(-y),
            recorded_px=(float(r[0]), float(r[1])),
            display_px=(float(q[0]), float(q[1])),
            shown=bool(s),
        )
        for name, (x, y), r, q, s in zip(PLACES, wall, recorded, pixels, shown, strict=True)
    )


def tape_lengths_mm(marks: tuple[Mark, ...]) -> dict[str, float]:
    """Lengths between corner marks, to check what was taped: both diagonals, and all four sides."""
    at = {m.name: (m.right_mm, m.up_mm) for m in marks}
    pairs = {
        "top": ("top left", "top right"),
        "bottom": ("bottom left", "bottom right"),
        "left": ("top left", "bottom left"),
        "right": ("top right", "bottom right"),
        "diagonal down": ("top left", "bottom right"),
        "diagonal up": ("bottom left", "top right"),
    }
    return {name: math.dist(at[a], at[b]) for name, (a, b) in pairs.items()}


def readings(marks: tuple[Mark, ...], seen_px: ArrayLike) -> Readings:
    """Readings from where the marks are seen on the display.

    Args:
        seen_px: (marks, 2) in the order of the marks; NaN for a mark that was not seen.

    Raises:
        InputError: fewer than two corners seen, or none on one side.
    """
    seen = np.asarray(seen_px, dtype=np.float64)
    if seen.shape != (len(marks), 2):
        raise InputError(f"{seen.shape} places", field="seen", fix=f"give x and y for each of {len(marks)} marks, nan for one not seen")
    off = seen - np.array([m.display_px for m in marks])
    used = np.isfinite(off).all(axis=1)
    side = np.array([math.copysign(1, PLACES[m.name][0] - 0.5) if PLACES[m.name][0] != 0.5 else 0 for m in marks])
    left, right = used & (side < 0), used & (side > 0)
    if not (left.any() and right.any()):
        raise InputError("too few marks seen", field="seen", fix="at least one corner on the left and one on the right are needed")
    # Sides first, then their mean: a side with one mark weighs as much as a side with two.
    on_left, on_right = off[left].mean(axis=0), off[right].mean(axis=0)
    middle, apart = (on_left + on_right) / 2, on_right - on_left
    return Readings(right_px=float(middle[0]), low_px=float(middle[1]), turned_px=float(apart[1]), spread_px=float(apart[0]))


def correction_table(pairing: Pairing, distance_m: float, *, steps_px: tuple[float, ...] = STEPS_PX) -> tuple[Cause, ...]:
    """For each reading: by how much a part of the mount is off if that part alone is.

    Raises:
        InputError: as :func:`wall_marks`, or the marks can't be seen.
    """
    marks = wall_marks(pairing, distance_m)
    return tuple(_cause(pairing, distance_m, marks, *each, steps_px) for each in _CAUSES)


def off_by(table: tuple[Cause, ...], seen: Readings) -> dict[str, float]:
    """By how much each part of the mount is off if it alone is, read from the table between its steps."""
    out = {}
    for cause in table:
        px = np.array([0.0, *(p for p, _ in cause.steps)])
        off = np.array([0.0, *(v for _, v in cause.steps)])
        order = np.argsort(px)
        px, off = px[order], off[order]
        good = np.isfinite(off)
        reading = getattr(seen, cause.reading)
        inside = good.any() and px[good][0] <= reading <= px[good][-1]
        out[cause.part] = float(np.interp(reading, px[good], off[good])) if inside else reading * cause.per_px
    return out


def aim_off_by(pairing: Pairing, distance_m: float, seen_px: ArrayLike) -> Mount:
    """Pan, tilt and roll by which the mount is off, from all marks at once, its offset taken as it is.

    Least squares over what was seen; returned as a mount that holds only the three differences.
    """
    from scipy.optimize import least_squares

    marks = wall_marks(pairing, distance_m)
    readings(marks, seen_px)  # refuses too few marks
    seen = np.asarray(seen_px, dtype=np.float64)
    used = np.isfinite(seen).all(axis=1)

    def miss(by: Floats) -> Floats:
        turned = _moved(pairing, pan_deg=float(by[0]), tilt_deg=float(by[1]), roll_deg=float(by[2]))
        places = _places(turned, distance_m, marks)
        return np.nan_to_num((places - seen)[used], nan=1e4).ravel()

    pan, tilt, roll = least_squares(miss, np.zeros(3), x_scale=1.0).x
    return Mount(pan_deg=float(pan), tilt_deg=float(tilt), roll_deg=float(roll))


def aim_off_by_shift(pairing: Pairing, distance_m: float, *, right_px: float, up_px: float) -> Mount:
    """Pan and tilt by which the mount is off if all marks sit this much right and up of their places, its offset taken as it is.

    Pan and tilt are turned together until both readings are met; returned as a mount that holds only the two differences.

    Raises:
        InputError: as :func:`wall_marks`, or no turn within :data:`FARTHEST_TURN_DEG` shows the marks there.
    """
    from scipy.optimize import least_squares

    if not (math.isfinite(right_px) and math.isfinite(up_px)):
        raise InputError(f"{right_px:g}, {up_px:g}", field="seen", fix="give two numbers of pixels")
    marks = wall_marks(pairing, distance_m)
    readings(marks, [m.display_px if m.shown else (math.nan, math.nan) for m in marks])  # refuses too few marks

    def miss(by: Floats) -> Floats:
        try:
            seen = readings(marks, _places(_moved(pairing, pan_deg=float(by[0]), tilt_deg=float(by[1])), distance_m, marks))
        except InputError:  # marks leave the lens's domain
            return np.full(2, 1e4)
        return np.array([seen.right_px - right_px, seen.low_px + up_px])

    found = least_squares(miss, np.zeros(2), bounds=(-FARTHEST_TURN_DEG, FARTHEST_TURN_DEG), x_scale=1.0)
    if np.abs(found.fun).max() > 0.05:
        raise InputError(
            f"no turn within {FARTHEST_TURN_DEG:g} degrees shows the marks {right_px:g} px right and {up_px:g} px up",
            field="seen",
            fix="check the wall's distance and the mount's figures",
        )
    return Mount(pan_deg=float(found.x[0]), tilt_deg=float(found.x[1]))


def aim_changes(mount: Mount, off_by: Mount) -> dict[str, float]:
    """What a pairing file's aim becomes, by dotted key, when the camera is off by some turn; to a hundredth of a degree."""
    turned = {name: (getattr(mount, f"{name}_deg"), getattr(off_by, f"{name}_deg")) for name in ("pan", "tilt", "roll")}
    return {f"mount.aim_deg.{name}": round(now + by, 2) for name, (now, by) in turned.items() if abs(by) >= 0.005}


def wall_json(
    pairing: Pairing, distance_m: float, marks: tuple[Mark, ...], causes: tuple[Cause, ...], found: Mapping[str, float] | None, aim: Mount | None
) -> dict[str, Any]:
    """Everything about a wall as plain data: the marks, their diagonals, what a pixel is worth, and what readings say, None without them."""
    lengths = tape_lengths_mm(marks)
    return {
        "title": pairing.title,
        "wall_m": distance_m,
        "marks": [{"name": m.name, "right_mm": m.right_mm, "up_mm": m.up_mm, "display_px": list(m.display_px), "shown": m.shown} for m in marks],
        "diagonals_mm": {"down": lengths["diagonal down"], "up": lengths["diagonal up"]},
        "one_px_is": {cause.part: cause.per_px for cause in causes},
        "off_by_aim_deg": None if aim is None else {"pan": aim.pan_deg, "tilt": aim.tilt_deg, "roll": aim.roll_deg},
        "off_by_alone": None if found is None else dict(found),
    }


def _check_distance(pairing: Pairing, distance_m: float) -> None:
    if not max(0.0, pairing.mount.forward_mm / 1000) < distance_m <= FARTHEST_WALL_M:
        raise InputError(f"{distance_m:g} m is not a distance to a wall", field="wall", fix=f"give metres beyond both lenses, to {FARTHEST_WALL_M}, such as 3")


def _moved(pairing: Pairing, **by: float) -> Pairing:
    mount = replace(pairing.mount, **{name: getattr(pairing.mount, name) + value for name, value in by.items()})
    return replace(pairing, mount=mount, near_m=max(pairing.near_m, mount.forward_mm / 1000 + 1e-3), far_m=math.inf)


def _places(pairing: Pairing, distance_m: float, marks: tuple[Mark, ...]) -> Floats:
    return to_display(pairing, np.array([m.recorded_px for m in marks]), inverse_m(distance_m))[0]


def _cause(pairing: Pairing, distance_m: float, marks: tuple[Mark, ...], reading: str, part: str, reach: float, steps_px: tuple[float, ...]) -> Cause:
    from scipy.optimize import brentq

    if part == "forward_mm":
        reach = min(reach, 900 * (distance_m - pairing.mount.forward_mm / 1000))

    def seen(by: float) -> float:
        return float(getattr(readings(marks, _places(_moved(pairing, **{part: by}), distance_m, marks)), reading))

    small = reach * 1e-4
    per_px = 2 * small / (seen(small) - seen(-small))
    steps = []
    for step in steps_px:
        far = _first_crossing(seen, step, math.copysign(reach, step * per_px))
        steps.append((step, float(brentq(lambda by, step=step: seen(by) - step, *far, xtol=1e-9)) if far else math.nan))
    return Cause(reading=reading, part=part, steps=tuple(steps), per_px=per_px)


def _first_crossing(seen: Callable[[float], float], step: float, end: float) -> tuple[float, float] | None:
    """A stretch from 0 towards ``end`` over which the reading passes ``step``, None if it does not."""
    before = 0.0
    for by in np.linspace(0, end, 33)[1:]:
        try:
            value = seen(float(by))
        except InputError:  # marks leave the lens's domain
            return None
        if (value - step) * math.copysign(1, step) >= 0:
            return before, float(by)
        before = float(by)
    return None


def wall_extent_mm(marks: tuple[Mark, ...]) -> Rect:
    """The smallest upright rectangle on the wall around all marks; right and down, mm from the axis."""
    x, y = [m.right_mm for m in marks], [-m.up_mm for m in marks]
    return Rect(left=min(x), top=min(y), right=max(x), bottom=max(y))
