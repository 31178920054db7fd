"""Details followed over a second and more, from key frames to key frames.

Followed from frame to frame a detail wanders: its patch rolls and grows, and each match takes what lies beside it for a little of it (a third of a pixel
in half a second, on rendered flights). So the corners of a reference frame, a new one a few times a second, are looked for in each key frame directly,
and the key frame is first brought to the reference's attitude by the turn that was read and to its scale by how far details have spread: what is left
is a tenth of a pixel, and no more after a second than at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from framematch.clips.corners import corners_of, followed
from framematch.geometry.camera import Camera

Floats = NDArray[np.float64]
Grey = NDArray[np.uint8]
KEY_S, REFERENCE_S, LIFE_S = 0.2, 0.4, 1.25  # from key frame to key frame, from reference to reference, and for how long one is looked for
_KEY_TURN, _REFERENCE_TURN = 0.2, 0.4  # the same by how far the view has turned, as shares of half its width
_DETAILS, _FEWEST, _EDGE_PX, _NODE_PX = 160, 12, 9, 16


@dataclass(frozen=True, kw_only=True, eq=False)
class Keyed:
    """Details in key frames.

    Args:
        times_s: (K,) of the key frames.
        key, track: (N,) in which frame, and which detail it is.
        places_px: (N, 2) where, continuous pixels at the working size.
    """

    times_s: Floats
    key: NDArray[np.int64]
    track: NDArray[np.int64]
    places_px: Floats


@dataclass(kw_only=True, eq=False)
class _Reference:
    """A frame whose corners are looked for: their places in it, and where they were last seen brought to its attitude, with their speed there."""

    grey: Grey
    time_s: float
    attitude: Floats
    corners: Floats
    tracks: NDArray[np.int64]
    seen: Floats
    speed: Floats
    last_s: float
    spread: float = 0.0  # logarithm of how far details have spread
    spreading: float = 0.0  # by how much in a second


@dataclass(kw_only=True, eq=False)
class KeyFrames:
    """Collects details as a clip's frames come.

    Args:
        camera: at the frames' size.
    """

    camera: Camera
    _references: list[_Reference] = field(default_factory=list)
    _times: list[float] = field(default_factory=list)
    _keys: list[int] = field(default_factory=list)
    _found: list[tuple[NDArray[np.int64], Floats]] = field(default_factory=list)
    _last: Floats = field(default_factory=lambda: np.eye(3))
    _newest_s: float = -math.inf
    _newest: Floats = field(default_factory=lambda: np.eye(3))
    _tracks: int = 0

    def __post_init__(self) -> None:
        width, height = self.camera.raster_px
        self._middle, self._size = np.array([width, height]) / 2, np.array([width, height])
        edge, _ = self.camera.unproject(np.array([[0.0, height / 2]]))
        self._half = math.acos(float(np.clip(edge[0, 2], -1, 1)))
        across, down = (np.linspace(0, n - 1, n // _NODE_PX + 1) for n in (width, height))
        self._nodes = np.stack(np.meshgrid(across, down), axis=-1).reshape(-1, 2) + 0.5
        self._across, self._down = (
            np.maximum(1 - np.abs(np.arange(n)[:, None] / (n - 1) * (len(at) - 1) - np.arange(len(at))), 0).astype(np.float32)
            for n, at in ((width, across), (height, down))
        )

    def take(self, time_s: float, grey: Grey, attitude: Floats) -> None:
        """Look at a frame, its attitude (3, 3) in axes that all frames share; most are none of the key frames."""
        if self._times and time_s - self._times[-1] < KEY_S - 1e-6 and _turned(self._last, attitude) < _KEY_TURN * self._half:
            return
        self._references = [r for r in self._references if time_s - r.time_s <= LIFE_S and len(r.tracks) >= _FEWEST]
        found = [self._look(r, time_s, grey, attitude) for r in self._references]
        if time_s - self._newest_s >= REFERENCE_S - 1e-6 or _turned(self._newest, attitude) > _REFERENCE_TURN * self._half:
            corners = corners_of(grey)[:_DETAILS]
            corners = corners[(corners > _EDGE_PX).all(axis=1) & (corners < self._size - _EDGE_PX).all(axis=1)]
            tracks = self._tracks + np.arange(len(corners))
            spreading = self._references[-1].spreading if self._references else 0.0
            self._references.append(
                _Reference(
                    grey=grey,
                    time_s=time_s,
                    attitude=attitude,
                    corners=corners,
                    tracks=tracks,
                    seen=corners,
                    speed=np.zeros_like(corners),
                    last_s=time_s,
                    spreading=spreading,
                )
            )
            found.append((tracks, corners))
            self._tracks, self._newest_s, self._newest = self._tracks + len(corners), time_s, attitude
        self._found += found
        self._keys += [len(self._times)] * len(found)
        self._times.append(time_s)
        self._last = attitude

    def keyed(self) -> Keyed:
        """What was found."""
        counts = [len(tracks) for tracks, _ in self._found]
        return Keyed(
            times_s=np.array(self._times),
            key=np.repeat(np.array(self._keys, np.int64), counts),
            track=np.concatenate([np.empty(0, np.int64), *(tracks for tracks, _ in self._found)]),
            places_px=np.concatenate([np.empty((0, 2)), *(places for _, places in self._found)]),
        )

    def _look(self, r: _Reference, time_s: float, grey: Grey, attitude: Floats) -> tuple[NDArray[np.int64], Floats]:
        """Which of a reference's details a frame shows, and where; the others are forgotten."""
        import cv2

        later = time_s - r.last_s
        zoom = math.exp(r.spread + r.spreading * later)
        turn = attitude.T @ r.attitude
        nodes = self._there(self._nodes, turn, zoom)[0].astype(np.float32).reshape(len(self._down[0]), len(self._across[0]), 2) - np.float32(0.5)
        x, y = (self._down @ nodes[..., i] @ self._across.T for i in (0, 1))
        brought: Grey = np.asarray(cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.uint8)
        guess = self._middle + (r.seen + r.speed * later - self._middle) / zoom
        at, kept = followed(r.grey, brought, r.corners, guess)
        places, ok = self._there(at, turn, zoom)
        kept &= ok & (places > _EDGE_PX).all(axis=1) & (places < self._size - _EDGE_PX).all(axis=1)
        level = (self._middle + (at - self._middle) * zoom)[kept]
        r.corners, r.tracks = r.corners[kept], r.tracks[kept]
        if kept.sum() >= _FEWEST:
            out = r.corners - r.corners.mean(axis=0)
            spread = math.log(max(0.5, 1 + float((out * (level - r.corners)).sum() / (out**2).sum())))
            r.spread, r.spreading = spread, (spread - r.spread) / later
        r.seen, r.speed, r.last_s = level, (level - r.seen[kept]) / later, time_s
        return r.tracks, places[kept]

    def _there(self, places: Floats, turn: Floats, zoom: float) -> tuple[Floats, NDArray[np.bool_]]:
        """Where in a frame are places of it brought to a reference's attitude and scale."""
        rays, ok = self.camera.unproject(self._middle + (places - self._middle) * zoom)
        there, seen = self.camera.project(rays @ turn.T)
        ok = ok & seen & np.isfinite(there).all(axis=1)
        return np.where(ok[:, None], there, -1e3), ok


def _turned(before: Floats, after: Floats) -> float:
    """By how much the view's middle has turned, rad."""
    return math.acos(float(np.clip(before[:, 2] @ after[:, 2], -1, 1)))
