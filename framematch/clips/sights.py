"""The details of a moment: in both frames, brought to one time each by itself, and followed on in the recorded clip.

Frames brought to one moment are so by the cameras' turns alone (``moment``); what the way draws meanwhile stays, and at some metres a second it is as much
as the offset between the cameras. Each detail is therefore followed in the recorded clip, and taken from its own track at the very time at which the
monitoring camera read its row; the same track tells how far away it is, but for a factor (``parallax``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.clips.moment import Instant
from framematch.clips.parallax import Relative, relative_distances
from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Pairing
from framematch.measure.features import Matches, common_view, tracked
from framematch.measure.stills import Still

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
DETAILS = 400
FOLLOW_RAD, SHORTEST_S, LONGEST_S = 0.04, 0.08, 0.4  # parallax that is looked for, and how long after
LEAST_RAD = 0.012
LEAST_SHARED_RAD = 0.004  # parallax from which on tracks tell distances, by themselves and along a way that was adjusted
_WINDOW_PX, _LEVELS, _BACK_PX, _NOISE_PX = 17, 3, 0.4, 0.15
_FOLLOWED = 0.4  # of the details


@dataclass(frozen=True, kw_only=True, eq=False)
class Brought:
    """Frames of a moment, all brought to the recording frame's middle row and its attitude.

    Args:
        instant: their times, each in its own clip.
        recording, monitoring: the two frames.
        late_s: the recording frame's time less the monitoring frame's, in the recording clip's clock.
        move_rad_s: (3,) the recording camera's speed over the distance of what it sees, its own axes.
        later: a later (or earlier) recorded frame, None where none would tell.
        later_s: its time less the recording frame's.
        turned: (3, 3) camera at the recording frame from the one at the later.
        gone: how far the camera went between these two, in a unit that all moments share; None where that is not known.
    """

    instant: Instant
    recording: Still
    monitoring: Still
    late_s: float
    move_rad_s: Floats
    later: Still | None = None
    later_s: float = 0.0
    turned: Floats | None = None
    gone: float | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Details:
    """A moment's details as both cameras saw them at one time each, and their relative distances where their tracks tell."""

    matches: Matches
    relative: Relative | None


def follow_s(move_rad_s: Floats) -> float:
    """How much later a frame is to be for its parallax to tell; 0 where none would."""
    speed = float(np.linalg.norm(move_rad_s))
    return 0.0 if speed * LONGEST_S < LEAST_RAD else float(np.clip(FOLLOW_RAD / speed, SHORTEST_S, LONGEST_S))


def details_of(rig: Pairing, pair: Brought) -> Details:
    """The details of a moment.

    Args:
        rig: near the truth, at the frames' sizes.
    """
    found = tracked(rig, common_view(rig, pair.recording.grey, pair.monitoring.grey), _anywhere(rig)).thinned(DETAILS)
    rays, _ = rig.recording.unproject(found.recording_px)
    rows = [(px[:, 1] / camera.raster_px[1] - 0.5, (camera.readout_ms or 0.0) / 1000) for px, camera in zip(_places(found), _cameras(rig), strict=True)]
    apart = rows[1][0] * rows[1][1] - rows[0][0] * rows[0][1] - pair.late_s  # by how much later the monitoring camera saw it
    moved, relative = -pair.move_rad_s * np.ones((len(found), 1)), None
    if pair.later is not None and pair.turned is not None and len(found):
        after, kept = _followed(rig.recording, pair, found.recording_px, rays)
        if kept.mean() > _FOLLOWED:
            found, rays, after, apart = found.only(kept), rays[kept], after[kept], apart[kept]
            moved = (after - rays) / pair.later_s
            noise = math.sqrt(2) * _NOISE_PX / rig.recording.pixels_per_rad
            if np.median(np.linalg.norm(after - rays, axis=1)) > (LEAST_RAD if pair.gone is None else LEAST_SHARED_RAD):
                relative = relative_distances(rays, after, noise_rad=noise, gone=pair.gone)
    there, ok = rig.recording.project(rays + moved * apart[:, None])
    places = np.where((ok & np.isfinite(there).all(axis=1))[:, None], there, found.recording_px)
    return Details(matches=replace(found, recording_px=places), relative=relative)


def _places(found: Matches) -> tuple[Floats, Floats]:
    return found.recording_px, found.monitoring_px


def _cameras(rig: Pairing) -> tuple[Camera, Camera]:
    return rig.recording, rig.monitoring


def _followed(camera: Camera, pair: Brought, places: Floats, rays: Floats) -> tuple[Floats, Mask]:
    """(N, 3) bearings at the later time exactly, attitude of the moment, and which details were found again."""
    import cv2

    assert pair.later is not None and pair.turned is not None
    settings: dict[str, Any] = {
        "winSize": (_WINDOW_PX, _WINDOW_PX),
        "maxLevel": _LEVELS,
        "criteria": (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 20, 0.01),
        "flags": cv2.OPTFLOW_USE_INITIAL_FLOW,
    }
    guess, ok = camera.project(rays - pair.move_rad_s * pair.later_s)
    guess = np.where((ok & np.isfinite(guess).all(axis=1))[:, None], guess, places)
    at, start = ((v - 0.5).astype(np.float32).reshape(-1, 1, 2) for v in (places, guess))
    there, found, _ = cv2.calcOpticalFlowPyrLK(pair.recording.grey, pair.later.grey, at, start.copy(), **settings)
    back, again, _ = cv2.calcOpticalFlowPyrLK(pair.later.grey, pair.recording.grey, there, at.copy(), **settings)
    kept = (np.asarray(found).ravel() == 1) & (np.asarray(again).ravel() == 1) & (np.hypot(*(np.asarray(back) - at).reshape(-1, 2).T) < _BACK_PX)
    after, ok = camera.unproject(np.asarray(there, dtype=np.float64).reshape(-1, 2) + 0.5)
    source, seen = camera.project(after @ pair.turned)  # where in the later frame itself, which says when its row was read
    kept &= ok & seen & np.isfinite(source).all(axis=1) & (source > 0).all(axis=1) & (source < camera.raster_px).all(axis=1)
    longer = pair.later_s + np.where(kept, source[:, 1] - places[:, 1], 0.0) / camera.raster_px[1] * (camera.readout_ms or 0.0) / 1000
    kept &= np.abs(longer) > 0.3 * abs(pair.later_s)
    exact = rays + (after - rays) * (pair.later_s / np.where(kept, longer, pair.later_s))[:, None]
    return exact, kept


def _anywhere(rig: Pairing) -> Matches:
    """Places all over the recorded picture where the rig has them, far away: for tracking to start from."""
    width, height = rig.recording.raster_px
    places = np.stack(np.meshgrid(np.linspace(0.03, 0.97, 9) * width, np.linspace(0.03, 0.97, 7) * height), axis=-1).reshape(-1, 2)
    rays, ok = rig.recording.unproject(places)
    there, seen = rig.monitoring.project(rays @ rig.mount.recording_from_monitoring)
    use = ok & seen
    return Matches(recording_px=places[use], monitoring_px=there[use], noise_rad=np.full(int(use.sum()), 1e-3), details=(int(use.sum()),) * 2)
