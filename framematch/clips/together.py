"""Two clips of one flight: the aim as it was in the air, how far the guide was off, how much the mount flexed.

The clocks are brought together by the turns alone (``clock``). Frames of one instant, all their rows brought to it (``moment``) and quick flex taken
back (``flex``), are what the still check takes: its answers for several instants, put together, give the rig as it was flown, with its refusals. With
that rig held, every instant is solved again for its own aim and for the distance of what it shows, and the guide as flown is judged at that distance.

Along the direction of the offset an aim and a distance draw the same: the aim is sure only as far as distances are, the guide at what was seen is not
touched by it. What the monitoring camera turned more than the rig is flex, read from the turns.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from framematch.clips.clock import Clocks, TurnedPath, match_clocks
from framematch.clips.flex import Flex
from framematch.clips.frames import clip_facts, stills_at
from framematch.clips.moment import Instant, at_one_time, instants
from framematch.clips.turns import SHAPE_TOLERANCE, Turns, clip_camera, read_turns
from framematch.geometry.camera import Camera, Display
from framematch.geometry.mount import aim_from_rotation
from framematch.geometry.pairing import Pairing
from framematch.guide.best import best_set_distance
from framematch.guide.tolerance import edge_places, frame_errors
from framematch.guide.transfer import distance_from, inverse_m, to_display
from framematch.measure.aim import AimSolve, Row
from framematch.measure.check import FEWEST, Checked, NotSuitable, check_guide
from framematch.measure.corrected import edge_slopes, guide_off_percent, known_percent, lens_figures, mount_figures
from framematch.measure.features import Matches, common_view, tracked
from framematch.measure.figure import NORMAL_95
from framematch.measure.stills import Still
from framematch.measure.unknowns import COUNT, held, mounted, moved

Floats = NDArray[np.float64]
Told = Callable[[str, int, int], None]  # what is being done, how much of it, of how much (0 if not known)

EVERY_S, MOST_MOMENTS, MOST_CHECKED = 0.5, 40, 8
FEWEST_MOMENTS = 3
_FLEX_RAD = math.radians(1.0)  # standard deviation of a moment's aim about the mean
_DETAILS = 400
_FLEX_READ_DEG, _FLEX_SHARE = 0.05, 0.1  # quick flex is read to so much, and to this share of it (rendered flights)
_STEP = np.array([1e-4] * 3 + [1e-3] * 3 + [1e-3] * 2 + [1e-4] * 4 + [1e-3] * 2)
_STEP_W = 1e-3


@dataclass(frozen=True, kw_only=True, eq=False)
class Moment:
    """One instant of the flight.

    Args:
        instant: its frames' times.
        details: that both frames show.
        aim_deg, aim_95_deg: pan, tilt, roll, and half-widths of their 95 % intervals.
        distance_m: typical one of what both show; infinite where none shows.
        off_percent: how far the guide as flown was off at that distance: worst edge, percent of the frame.
        off_95_percent: half-width of its 95 % interval.
    """

    instant: Instant
    details: int
    aim_deg: tuple[float, float, float]
    aim_95_deg: tuple[float, float, float]
    distance_m: float
    off_percent: float
    off_95_percent: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Together:
    """What two clips say of a rig.

    Args:
        rig: the pairing as flown, its monitoring camera as the clip shows it.
        recording, monitoring: turns.
        clocks: how the clips go together.
        checked: the still check over some instants.
        moments: in order of time.
        flex: of the mount, from the turns.
        set_distance_m: at which the outline would have served best for what was filmed.
    """

    rig: Pairing
    recording: Turns
    monitoring: Turns
    clocks: Clocks
    checked: Checked
    moments: tuple[Moment, ...]
    flex: Flex
    set_distance_m: float


def rig_for_clips(pairing: Pairing, monitoring_px: tuple[int, int], *, name: str) -> Pairing:
    """The pairing with the monitoring camera as a clip shows it: its own raster, or the goggles' display.

    Raises:
        InputError: the clip's shape is neither.
    """
    shape = monitoring_px[0] / monitoring_px[1]
    screen = pairing.display.raster_px
    raster = pairing.monitoring.raster_px
    if abs(shape / (raster[0] / raster[1]) - 1) > SHAPE_TOLERANCE and abs(shape / (screen[0] / screen[1]) - 1) <= SHAPE_TOLERANCE:
        return replace(pairing, monitoring=pairing.display_camera, display=Display(raster_px=screen, source_px=screen))
    clip_camera(pairing.monitoring, monitoring_px, name=name, which="monitoring")
    return pairing


def check_clips(pairing: Pairing, recording: Path, monitoring: Path, *, told: Told | None = None) -> Together:
    """Check a guide from two whole clips of one flight.

    Raises:
        InputError: clips that can't be read or have another shape than the pairing's rasters.
        NotSuitable: the clips do not tell; the message says why.
    """
    rig = rig_for_clips(pairing, clip_facts(monitoring).size_px, name=str(monitoring))
    read = []
    for which, path in (("recording", recording), ("monitoring", monitoring)):
        camera: Camera = getattr(rig, which)

        def seen(size: tuple[int, int], camera: Camera = camera, path: Path = path, which: str = which) -> Camera:
            return clip_camera(camera, size, name=str(path), which=which)

        def progress(done: int, expected: int, which: str = which) -> None:
            if told is not None:
                told(f"Reading the {which} clip", done, expected)

        read.append(read_turns(path, seen, progress=progress))
    clocks = match_clocks(read[0], read[1], rig.mount.recording_from_monitoring)
    chosen = instants(read[0], read[1], clocks, every_s=EVERY_S, most=MOST_MOMENTS)
    if len(chosen) < FEWEST_MOMENTS:
        raise NotSuitable("the clips share too few frames of one moment", file=str(monitoring), fix="give a longer piece of the flight")
    flex = Flex(clocks, read[1])
    pairs = brought_together(rig, read, clocks, flex, chosen, (recording, monitoring))
    return together(rig, read[0], read[1], clocks, flex, chosen, pairs, told=told)


def together(
    rig: Pairing,
    recording: Turns,
    monitoring: Turns,
    clocks: Clocks,
    flex: Flex,
    chosen: Sequence[Instant],
    pairs: Sequence[tuple[Still, Still]],
    *,
    told: Told | None = None,
) -> Together:
    """What clips say once their clocks are known and their frames brought to one time and one aim, quick flex taken back.

    Raises:
        NotSuitable: as ``check_guide``, or too few instants show enough.
    """
    if told is not None:
        told("Checking the guide", 0, len(pairs))
    some = np.unique(np.linspace(0, len(pairs) - 1, min(MOST_CHECKED, len(pairs))).round().astype(int))
    singles, refused = [], None
    for i in some:
        try:
            singles.append(check_guide(rig, *pairs[i]))
        except NotSuitable as error:
            refused = error
    if len(singles) < max(2, len(some) // 3):
        assert refused is not None
        raise refused
    checked = combined(rig, singles, apart_rad=math.hypot(math.radians(_FLEX_READ_DEG), _FLEX_SHARE * math.radians(flex.rms_deg)))
    moments = []
    for count, (instant, pair) in enumerate(zip(chosen, pairs, strict=True), start=1):
        found = _moment(checked, instant, flex, pair)
        if found is not None:
            moments.append(found)
        if told is not None:
            told("Checking the guide", count, len(pairs))
    if len(moments) < FEWEST_MOMENTS:
        raise NotSuitable("too few moments show enough details in both clips", fix="give a sharp, lit piece of the flight")
    return Together(
        rig=rig,
        recording=recording,
        monitoring=monitoring,
        clocks=clocks,
        checked=checked,
        moments=tuple(moments),
        flex=flex,
        set_distance_m=_set_distance(checked.after, [m.distance_m for m in moments]),
    )


def combined(rig: Pairing, singles: Sequence[Checked], *, apart_rad: float) -> Checked:
    """One rig from checks of single instants, its aim apart by some radians (standard deviation, each axis) from one to the next.

    What each instant's details tell (its normal equations less what the file holds) is added up, each with an aim and an offset of its own
    marginalised: what little an aim is apart would be taken for a move of the offset. The file's hold comes in once.
    """
    scale = held(rig)
    hold = np.diag(scale**-2.0)
    own, loose = np.eye(COUNT)[:, :6], np.diag([apart_rad**-2.0] * 3 + [*scale[3:6] ** -2.0])
    normal, toward = hold.copy(), np.zeros(COUNT)
    for each in singles:
        size, ways = np.linalg.eigh(np.linalg.inv(each.covariance) * np.outer(scale, scale) - np.eye(COUNT))
        told = (ways * np.maximum(size, 0)) @ ways.T / np.outer(scale, scale)  # what was widened tells no less than nothing
        pull = (told + hold) @ each.values
        gain = told @ own @ np.linalg.inv(loose + own.T @ told @ own) @ own.T
        normal += told - gain @ told
        toward += pull - gain @ pull
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    values = covariance @ toward
    after = moved(rig, values)
    shown = float(np.median([inverse_m(each.distance_m) for each in singles]))
    distance = distance_from(shown) if shown > 1e-3 else math.inf
    distances = [d for d, _ in singles[0].off_percent]
    best = min(singles, key=lambda each: each.known_percent)
    return replace(
        best,
        after=after,
        values=values,
        covariance=covariance,
        figures=mount_figures(rig, values, covariance),
        lens_figures=lens_figures(rig, values, covariance),
        turned_deg=math.degrees(float(np.linalg.norm(values[:3]))),
        off_percent=tuple((d, guide_off_percent(rig, after, d)) for d in distances),
        serves=tuple((d, known_percent(edge_slopes(rig, values, d), [(np.zeros(COUNT), covariance)])) for d in dict.fromkeys([distance, *distances])),
        matches=sum(each.matches for each in singles),
        agreed=sum(each.agreed for each in singles),
        distance_m=distance,
        warnings=tuple(dict.fromkeys(line for each in singles for line in each.warnings)),
        advice="",
    )


def brought_together(
    rig: Pairing, read: Sequence[Turns], clocks: Clocks, flex: Flex, chosen: Sequence[Instant], paths: tuple[Path, Path]
) -> list[tuple[Still, Still]]:
    """Frames of each instant, rows and both clips brought to the recording frame's moment."""
    first, second = stills_at(paths[0], [i.recording_s for i in chosen]), stills_at(paths[1], [i.monitoring_s for i in chosen])
    ways = [TurnedPath(turns) for turns in read]
    slope = 1 + 1e-6 * clocks.rate_ppm
    out = []
    for instant, a, b in zip(chosen, first, second, strict=True):
        late = (instant.recording_s - float(clocks.recording_s(instant.monitoring_s))) / slope
        eyes = [getattr(rig, which).resized(still.size_px) for which, still in (("recording", a), ("monitoring", b))]
        out.append(
            (
                at_one_time(a, eyes[0], ways[0], taken_s=instant.recording_s, wanted_s=instant.recording_s),
                at_one_time(b, eyes[1], ways[1], taken_s=instant.monitoring_s, wanted_s=instant.monitoring_s + late, flexed_rad=flex.at(instant.monitoring_s)),
            )
        )
    return out


def _moment(checked: Checked, instant: Instant, flex: Flex, pair: tuple[Still, Still]) -> Moment | None:
    """An instant's own aim and distance, with the rig of all of them held; None where too little is seen."""
    flown = replace(
        checked.before,
        recording=checked.before.recording.resized(pair[0].size_px),
        monitoring=checked.before.monitoring.resized(pair[1].size_px),
    )
    rig = moved(flown, checked.values)
    view = common_view(rig, pair[0].grey, pair[1].grey)
    placed = tracked(rig, view, _unmoved(rig)).thinned(_DETAILS)
    if len(placed) < FEWEST:
        return None
    solve = AimSolve(pairing=rig, matches=[placed])
    sure = np.sqrt(np.diag(checked.covariance))
    rows = []
    for i in range(COUNT):
        slope = np.zeros(COUNT)
        slope[i] = 1.0
        rows.append(Row(slope=slope, target=0.0, sigma=max(_FLEX_RAD if i < 3 else float(sure[i]), 1e-7)))
    fit = solve.fit(np.ones(len(solve), dtype=bool), start=np.zeros(COUNT), rows=rows)
    good = fit.weight * fit.scatter**2 > 0.15
    if good.sum() < FEWEST or good.mean() < 0.35:
        return None
    middle = float(np.median(fit.seen.w[good]))
    near = np.abs(fit.seen.w - middle) <= np.median(np.abs(fit.seen.w[good] - middle)) + 1e-9
    w_slope = fit.seen.w_slope[good & near].mean(axis=0)
    w = max(middle, 0.0)
    bend = flex.at(instant.monitoring_s)
    off, slopes = _guide_off(flown, rig, fit.values, w, w_slope, bend)
    spread = np.sqrt(np.maximum(np.einsum("pi,ij,pj->p", slopes, fit.covariance, slopes), 0))
    worst = int(np.abs(off).argmax())
    turns = np.stack([(_aim(rig, fit.values + m, bend) - _aim(rig, fit.values - m, bend)) / 2e-6 for m in 1e-6 * np.eye(COUNT)[:3]], axis=1)
    half = np.hypot(
        NORMAL_95 * np.sqrt(np.diag(turns @ fit.covariance[:3, :3] @ turns.T)),
        NORMAL_95 * math.hypot(_FLEX_READ_DEG, _FLEX_SHARE * flex.rms_deg),
    )
    pan, tilt, roll = (float(a) for a in _aim(rig, fit.values, bend))
    return Moment(
        instant=instant,
        details=int(good.sum()),
        aim_deg=(pan, tilt, roll),
        aim_95_deg=(float(half[0]), float(half[1]), float(half[2])),
        distance_m=1 / w if w > 1e-3 else math.inf,
        off_percent=float(np.abs(off[worst])),
        off_95_percent=float(NORMAL_95 * spread[worst]),
    )


def _unmoved(rig: Pairing) -> Matches:
    """Places all over the recorded picture where the rig has them, far away: for tracking to start from."""
    width, height = rig.recording.raster_px
    places = np.stack(np.meshgrid(np.linspace(0.03, 0.97, 9) * width, np.linspace(0.03, 0.97, 7) * height), axis=-1).reshape(-1, 2)
    rays, ok = rig.recording.unproject(places)
    there, seen = rig.monitoring.project(rays @ rig.mount.recording_from_monitoring)
    use = ok & seen
    return Matches(recording_px=places[use], monitoring_px=there[use], noise_rad=np.full(int(use.sum()), 1e-3), details=(int(use.sum()),) * 2)


def _flexed(rig: Pairing, bend: Floats) -> Pairing:
    """The rig with its monitoring camera turned about its own axes by a rotation vector (3,)."""
    from scipy.spatial.transform import Rotation

    pan, tilt, roll = aim_from_rotation(rig.mount.recording_from_monitoring @ Rotation.from_rotvec(bend).as_matrix())
    return replace(rig, mount=replace(rig.mount, pan_deg=pan, tilt_deg=tilt, roll_deg=roll))


def _aim(rig: Pairing, values: Floats, bend: Floats) -> Floats:
    now = _flexed(replace(rig, mount=mounted(rig.mount, values)), bend).mount
    return np.array([now.pan_deg, now.tilt_deg, now.roll_deg])


def _guide_off(flown: Pairing, rig: Pairing, values: Floats, w: float, w_slope: Floats, bend: Floats) -> tuple[Floats, Floats]:
    """(P,) by how much the guide as flown misses at an inverse distance, percent at points of its edges, and (P, 14) slopes, the distance going along."""

    def errors(v: Floats, inverse: float) -> Floats:
        display, _ = to_display(flown, edge_places(flown), inverse)
        return np.asarray(frame_errors(_flexed(moved(rig, v), bend), display, inverse)).ravel()

    here = errors(values, w)
    along = (errors(values, w + _STEP_W) - errors(values, max(w - _STEP_W, 0.0))) / (_STEP_W + min(w, _STEP_W))
    slopes = []
    for i in range(COUNT):
        move = np.zeros(COUNT)
        move[i] = _STEP[i]
        slopes.append((errors(values + move, w) - errors(values - move, w)) / (2 * _STEP[i]) + along * w_slope[i])
    out = np.stack(slopes, axis=-1)
    good = np.isfinite(here) & np.isfinite(out).all(axis=1)
    return here[good], out[good]


def _set_distance(rig: Pairing, distances_m: Sequence[float]) -> float:
    """Set distance of the outline that serves best for what was filmed: from the nearest twentieth of the moments to the farthest."""
    inverse = np.array([0.0 if math.isinf(d) else 1 / d for d in distances_m])
    low, high = np.percentile(inverse, (5, 95))
    near = 1 / max(float(high), 1e-6)
    far = math.inf if low < 1e-4 else 1 / float(low)
    return best_set_distance(replace(rig, near_m=max(near, rig.mount.forward_mm / 1000 + 0.05), far_m=max(far, near)))[0]
