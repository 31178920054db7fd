"""The details of a moment: in both frames, brought to one time each by itself, and how far away they are relative to each other.

Frames brought to one moment are so by the cameras' turns alone (``moment``); what the way draws meanwhile stays, and at some metres a second it is as much
as the offset between the cameras. So each detail is moved on along the recording camera's way to the very time at which the monitoring camera read its row.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.clips.moment import Instant
from framematch.clips.placed import Around, Relative
from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Pairing
from framematch.measure.features import Matches, common_view, tracked
from framematch.measure.stills import Still

Floats = NDArray[np.float64]
DETAILS = 400


@dataclass(frozen=True, kw_only=True, eq=False)
class Brought:
    """Frames of a moment, all brought to the recording frame's middle row and its attitude.

    Args:
        instant: their times, each in its own clip.
        recording, monitoring: the two frames.
        late_s: the recording frame's time less the monitoring frame's, in the recording clip's clock.
        move_rad_s: (3,) the recording camera's speed over the distance of what it sees, its own axes.
        around: what its adjusted clip followed round the moment; None where that tells too little.
    """

    instant: Instant
    recording: Still
    monitoring: Still
    late_s: float
    move_rad_s: Floats
    around: Around | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Details:
    """A moment's details as both cameras saw them at one time each, and their relative distances where these are known."""

    matches: Matches
    relative: Relative | None


def details_of(rig: Pairing, pair: Brought) -> Details:
    """The details of a moment.

    Args:
        rig: near the truth, at the frames' sizes.
    """
    found = tracked(rig, common_view(rig, pair.recording.grey, pair.monitoring.grey), _anywhere(rig)).thinned(DETAILS)
    rays, _ = rig.recording.unproject(found.recording_px)
    rows = [(px[:, 1] / camera.raster_px[1] - 0.5, (camera.readout_ms or 0.0) / 1000) for px, camera in zip(_places(found), _cameras(rig), strict=True)]
    apart = rows[1][0] * rows[1][1] - rows[0][0] * rows[0][1] - pair.late_s  # by how much later the monitoring camera saw it
    relative = None if pair.around is None or not len(found) else pair.around.relative(rays)
    moved = -pair.move_rad_s if pair.around is None or relative is None else pair.around.moved_rad_s(rays, relative)
    there, ok = rig.recording.project(rays + moved * apart[:, None])
    places = np.where((ok & np.isfinite(there).all(axis=1))[:, None], there, found.recording_px)
    return Details(matches=replace(found, recording_px=places), relative=relative)


def _places(found: Matches) -> tuple[Floats, Floats]:
    return found.recording_px, found.monitoring_px


def _cameras(rig: Pairing) -> tuple[Camera, Camera]:
    return rig.recording, rig.monitoring


def _anywhere(rig: Pairing) -> Matches:
    """Places all over the recorded picture where the rig has them, far away: for tracking to start from."""
    width, height = rig.recording.raster_px
    places = np.stack(np.meshgrid(np.linspace(0.03, 0.97, 9) * width, np.linspace(0.03, 0.97, 7) * height), axis=-1).reshape(-1, 2)
    rays, ok = rig.recording.unproject(places)
    there, seen = rig.monitoring.project(rays @ rig.mount.recording_from_monitoring)
    use = ok & seen
    return Matches(recording_px=places[use], monitoring_px=there[use], noise_rad=np.full(int(use.sum()), 1e-3), details=(int(use.sum()),) * 2)
