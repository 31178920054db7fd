"""Two clips of one flight: the aim as it was in the air, how far the guide was off, how much the mount flexed.

The clocks are brought together by the turns alone (``clock``). Frames of one instant, all their rows brought to it (``moment``) and quick flex taken
back (``flex``), are what the still check takes: its answers for several instants, put together, give the rig as it was flown, with its refusals. With
that rig held, every instant is solved again for its own aim and for the distance of what it shows, and the guide as flown is judged at that distance.

Along the direction of the offset an aim and a distance draw the same: the aim is sure only as far as distances are, the guide at what was seen is not
touched by it. The recording camera's own way has all moments' distances but for one factor (``placed``), so that flying nearer and farther parts the two, and
how the two cameras' ways differ while the rig turns has that factor (``held``). What the monitoring camera turned more than the rig is flex, read from the
turns.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from framematch.clips.as_flown import Moment, moments_of, quick_percent, set_distance_for
from framematch.clips.between import over_the_flight
from framematch.clips.clock import Clocks, TurnedPath, match_clocks
from framematch.clips.flex import Flex
from framematch.clips.flown import Flown, flown
from framematch.clips.frames import clip_facts, stills_at
from framematch.clips.moment import NEAR_S, Instant, at_one_time, instants, moved_on
from framematch.clips.placed import around
from framematch.clips.reader import read_turns
from framematch.clips.sights import Brought, details_of
from framematch.clips.steadied import Beside, steadied
from framematch.clips.turns import SHAPE_TOLERANCE, Turns, clip_camera
from framematch.clips.typed import TypedAt
from framematch.errors import InputError
from framematch.geometry.camera import Camera, Display, Rect
from framematch.geometry.pairing import Pairing
from framematch.guide.transfer import distance_from
from framematch.measure.check import Checked, NotSuitable, check_guide
from framematch.measure.corrected import edge_slopes, guide_off_percent, known_percent, lens_figures, mount_figures
from framematch.measure.known import Typed
from framematch.measure.unknowns import COUNT, moved

Floats = NDArray[np.float64]
Told = Callable[[str, int, int], None]  # what is being done, how much of it, of how much (0 if not known)

EVERY_S, MOST_MOMENTS, FIRST_MOMENTS = 0.25, 40, 10
MOST_CHECKED, LEAST_CHECKED, FEWEST_DETAILS = 16, 2, 20
FEWEST_MOMENTS = 3
MONITORING_PX, RECORDING_PX, FINER = 1920, 960, 1.7  # width of frames: at most, at least; how many times as fine recorded ones are kept
_FLEX_READ_DEG, _FLEX_SHARE = 0.04, 0.1  # quick flex is read to so much, and to this share of it (rendered flights)
_APART_DEG = 3.0  # how far flex and a badly told aim of the turns may have a moment's aim from theirs
_ROWS_S = 0.004


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
        slow_flex_deg: by how much the aim was another from moment to moment, root mean square of both directions across together.
        quick_percent: by how much quick flex moved the frame besides in 95 % of the time, worst edge, percent of the frame.
    """

    rig: Pairing
    recording: Turns
    monitoring: Turns
    clocks: Clocks
    checked: Checked
    moments: tuple[Moment, ...]
    flex: Flex
    set_distance_m: float
    slow_flex_deg: float
    quick_percent: float

    @property
    def flex_rms_deg(self) -> float:
        """Slow and quick flex together."""
        return math.hypot(self.slow_flex_deg, self.flex.rms_deg)


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


def check_clips(pairing: Pairing, recording: Path, monitoring: Path, *, typed: Sequence[TypedAt] = (), told: Told | None = None) -> Together:
    """Check a guide from two whole clips of one flight.

    Args:
        typed: distances that somebody measured, of places in frames of the recording clip.

    Raises:
        InputError: clips that can't be read or have another shape than the pairing's rasters.
        NotSuitable: the clips do not tell; the message says why.
    """
    rig = rig_for_clips(pairing, clip_facts(monitoring).size_px, name=str(monitoring))
    if recording.is_file() and os.path.samefile(recording, monitoring):
        raise InputError("is the same clip as the recording camera's", file=str(monitoring), fix="give the clip of each camera")
    read = []
    for which, path in (("recording", recording), ("monitoring", monitoring)):
        camera: Camera = getattr(rig, which)

        def seen(size: tuple[int, int], camera: Camera = camera, path: Path = path, which: str = which) -> Camera:
            return clip_camera(camera, size, name=str(path), which=which)

        def progress(done: int, expected: int, which: str = which) -> None:
            if told is not None:
                told(f"Reading the {which} clip", done, expected)

        read.append(read_turns(path, seen, progress=progress))
    rig = replace(rig, **{w: replace(getattr(rig, w), readout_ms=t.camera.readout_ms) for w, t in zip(("recording", "monitoring"), read, strict=True)})
    clocks = match_clocks(read[0], read[1], rig.mount.recording_from_monitoring)
    read[1] = replace(read[1], steps=())  # a wide view's turns are not read again
    read[0] = steadied(read[0], Beside(turns=read[1], clocks=clocks, offset_m=rig.mount.translation_m))
    clocks = match_clocks(read[0], read[1], clocks.recording_from_monitoring)
    chosen = instants(read[0], read[1], clocks, every_s=EVERY_S, most=MOST_MOMENTS, wanted_s=[t.time_s for t in typed])
    if len(chosen) < FEWEST_MOMENTS:
        raise NotSuitable("the clips share too few frames of one moment", file=str(monitoring), fix="give a longer piece of the flight")
    flex = Flex(clocks, read[1])
    pairs = brought_together(rig, read, clocks, flex, chosen, (recording, monitoring))
    return together(rig, read[0], read[1], clocks, flex, chosen, pairs, typed=typed, told=told)


def together(
    rig: Pairing,
    recording: Turns,
    monitoring: Turns,
    clocks: Clocks,
    flex: Flex,
    chosen: Sequence[Instant],
    pairs: Sequence[Brought],
    *,
    typed: Sequence[TypedAt] = (),
    told: Told | None = None,
) -> Together:
    """What clips say once their clocks are known and their frames brought to one time and one aim, quick flex taken back.

    Raises:
        NotSuitable: as ``check_guide``, or too few instants show enough.
    """

    def step(count: int) -> None:
        if told is not None:
            told("Checking the guide", min(count, total), total)

    at = _at_sizes(rig, pairs[0])
    total = MOST_CHECKED + FIRST_MOMENTS + len(pairs)
    singles, refused, done = [], None, 0
    for pair in sorted(pairs, key=lambda p: float(np.linalg.norm(p.move_rad_s)) * (abs(p.late_s) + _ROWS_S))[:MOST_CHECKED]:  # least moved between the two
        step(done)
        done += 1
        try:
            singles.append(_single(rig, at, pair, clocks))
        except NotSuitable as error:
            refused = error
        if len(singles) == LEAST_CHECKED:
            break
    if refused is not None and len(singles) < LEAST_CHECKED:
        raise refused
    start = np.asarray(np.median([each.values for each in singles], axis=0))
    unread = math.hypot(math.radians(_FLEX_READ_DEG), _FLEX_SHARE * math.radians(flex.rms_deg))
    for some in (pairs[:: max(1, len(pairs) // FIRST_MOMENTS)], pairs):  # details are followed from where a rig near the truth has them
        near = moved(at, start)
        details, kept = [], []
        for pair in some:
            found = details_of(near, pair)
            done += 1
            step(done)
            if len(found.matches) >= FEWEST_DETAILS:
                details.append(found)
                kept.append(pair.instant)
        if len(kept) < FEWEST_MOMENTS:
            raise NotSuitable("too few moments show enough details in both clips", fix="give a sharp, lit piece of the flight")
        times = np.array([i.recording_s for i in kept])
        measured = _placed(typed, times, pairs[0].recording.size_px[0] / recording.facts.size_px[0]) if some is pairs else []
        solved = flown(
            at,
            details,
            times,
            start=start,
            unread_rad=unread,
            bent_rad=math.radians(flex.rms_deg) / math.sqrt(2),
            unit_w=None if recording.adjusted is None else recording.adjusted.unit_w,
            typed=measured,
        )
        start = solved.values
    solved = over_the_flight(solved, times, clocks, flex)
    checked = _checked(rig, singles, solved)
    moments = moments_of(rig, solved, kept, fewest=FEWEST_DETAILS)
    if len(moments) < FEWEST_MOMENTS:
        raise NotSuitable("details of too few moments agree on one rig", fix="give a sharp, lit piece of the flight")
    return Together(
        rig=rig,
        recording=recording,
        monitoring=monitoring,
        clocks=clocks,
        checked=checked,
        moments=tuple(moments),
        flex=flex,
        set_distance_m=set_distance_for(checked.after, [m.distance_m for m in moments]),
        slow_flex_deg=math.degrees(math.sqrt(2) * solved.apart_rad),
        quick_percent=quick_percent(checked, flex),
    )


def _single(rig: Pairing, at: Pairing, pair: Brought, clocks: Clocks) -> Checked:
    """A moment's frames checked as stills are.

    Raises:
        NotSuitable: as ``check_guide``, or they go together only as the turns say that they don't: what repeats was taken for the same.
    """
    from scipy.spatial.transform import Rotation

    then = moved_on(pair.recording, at.recording, move_rad_s=pair.move_rad_s, later_s=-pair.late_s)
    found = check_guide(rig, then, pair.monitoring)
    off = float(Rotation.from_matrix(found.after.mount.recording_from_monitoring @ clocks.recording_from_monitoring.T).magnitude())
    if off > math.radians(_APART_DEG) + 3 * math.sqrt(float(np.trace(clocks.aim_covariance))):
        raise NotSuitable(
            f"the pictures show an aim {math.degrees(off):.0f} degrees from the one that the clips' turns show",
            fix="give a piece of the flight that shows other things",
        )
    return found


def _at_sizes(rig: Pairing, pair: Brought) -> Pairing:
    """The pairing at the pictures' sizes, its main frame with them."""
    recording = rig.recording.resized(pair.recording.size_px)
    x, y = np.array(recording.raster_px) / rig.recording.raster_px
    f = rig.frame
    frame = Rect(left=f.left * x, top=f.top * y, right=f.right * x, bottom=f.bottom * y)
    return replace(rig, recording=recording, frame=frame, monitoring=rig.monitoring.resized(pair.monitoring.size_px))


def _placed(typed: Sequence[TypedAt], times_s: Floats, scale: float) -> list[tuple[int, Typed]]:
    """Typed distances with their moments' indices, places in pixels of the pictures.

    Raises:
        InputError: no moment near a time.
    """
    out = []
    for each in typed:
        index = int(np.abs(times_s - each.time_s).argmin())
        if abs(times_s[index] - each.time_s) > NEAR_S:
            raise InputError(
                f"no frame of both clips near {each.time_s:g} s can be used", field="--distance", fix="give another moment, in which the rig turns less"
            )
        at = None if each.typed.at_px is None else (each.typed.at_px[0] * scale, each.typed.at_px[1] * scale)
        out.append((index, replace(each.typed, at_px=at)))
    return out


def _checked(rig: Pairing, singles: Sequence[Checked], solved: Flown) -> Checked:
    """The flight's rig as a check of stills has it."""
    values, covariance = solved.values, solved.covariance
    after = moved(rig, values)
    shown = float(np.median([each.w for each in solved.typical]))
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
        serves=tuple((d, known_percent(edge_slopes(rig, values, d), [[(1.0, np.zeros(COUNT), covariance)]])) for d in dict.fromkeys([distance, *distances])),
        matches=sum(len(each.weight) for each in solved.sights),
        agreed=sum(int(each.good.sum()) for each in solved.sights),
        distance_m=distance,
        warnings=tuple(dict.fromkeys([*(line for each in singles for line in each.warnings), *solved.words])),
        advice="",
    )


def brought_together(rig: Pairing, read: Sequence[Turns], clocks: Clocks, flex: Flex, chosen: Sequence[Instant], paths: tuple[Path, Path]) -> list[Brought]:
    """Frames of each instant, all brought to the recording frame's moment."""
    ways = [TurnedPath(turns) for turns in read]
    widths = _still_widths(rig, read)
    first = stills_at(paths[0], [i.recording_s for i in chosen], width_px=widths[0])
    second = stills_at(paths[1], [i.monitoring_s for i in chosen], width_px=widths[1])
    slope, adjusted = 1 + 1e-6 * clocks.rate_ppm, read[0].adjusted
    out = []
    for instant, a, b in zip(chosen, first, second, strict=True):
        now = instant.recording_s
        late = now - float(clocks.recording_s(instant.monitoring_s))
        own, other = (getattr(rig, which).resized(still.size_px) for which, still in (("recording", a), ("monitoring", b)))
        then = instant.monitoring_s + late / slope
        step = int(np.clip(np.searchsorted(read[0].start_s, now), 0, len(read[0].start_s) - 1))
        out.append(
            Brought(
                instant=instant,
                recording=at_one_time(a, own, ways[0], taken_s=now, wanted_s=now),
                monitoring=at_one_time(b, other, ways[1], taken_s=instant.monitoring_s, wanted_s=then, flexed_rad=flex.at(then)),
                late_s=late,
                move_rad_s=read[0].move_rad_s[step],
                around=None if adjusted is None else around(adjusted, ways[0], now),
            )
        )
    return out


def _still_widths(rig: Pairing, read: Sequence[Turns]) -> tuple[int, int]:
    """Widths at which frames are compared: the recorded ones not much finer than what the monitoring ones can show."""
    sizes = [turns.facts.size_px[0] for turns in read]
    second = min(sizes[1], MONITORING_PX)
    per_rad = [c.pixels_per_rad / c.raster_px[0] for c in (rig.recording, rig.monitoring)]
    return min(sizes[0], max(RECORDING_PX, math.ceil(FINER * second * per_rad[1] / per_rad[0]))), second
