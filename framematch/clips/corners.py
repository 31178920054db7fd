"""Corners of a frame (Shi and Tomasi, CVPR 1994), and where they went in another (Lucas and Kanade's method over a pyramid: Bouguet; OpenCV's own)."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
LEAST_NOISE_PX = 0.04  # of a detail that is seen well, at the least
_CORNERS = 260
_WINDOW_PX, _LEVELS = 17, 3
_LEAST_SPREAD = 2.5  # grey levels about a corner, once noise is smoothed out
_BACK_PX = 0.5  # there and back again


def corners_of(grey: NDArray[np.uint8]) -> Floats:
    """(N, 2) corners to track, continuous pixels; where there is no more than noise, none."""
    import cv2

    found = cv2.goodFeaturesToTrack(grey, maxCorners=_CORNERS, qualityLevel=0.01, minDistance=max(5, grey.shape[1] // 50), blockSize=5)
    if found is None:
        return np.empty((0, 2))
    soft = cv2.GaussianBlur(grey, (0, 0), 1.5).astype(np.float32)
    spread = cv2.blur(soft**2, (_WINDOW_PX, _WINDOW_PX)) - cv2.blur(soft, (_WINDOW_PX, _WINDOW_PX)) ** 2
    places = np.asarray(found, dtype=np.float64).reshape(-1, 2)
    x, y = places.astype(int).T
    return np.asarray(places[spread[y, x] > _LEAST_SPREAD**2] + 0.5)


def followed(before: NDArray[np.uint8], after: NDArray[np.uint8], places: Floats, guess: Floats) -> tuple[Floats, Mask]:
    """Where corners went (N, 2), and which came back to their place."""
    import cv2

    settings: dict[str, Any] = {
        "winSize": (_WINDOW_PX, _WINDOW_PX),
        "maxLevel": _LEVELS,
        "criteria": (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 20, 0.01),
        "flags": cv2.OPTFLOW_USE_INITIAL_FLOW,
    }
    at, start = ((v - 0.5).astype(np.float32).reshape(-1, 1, 2) for v in (places, guess))
    there, ok, _ = cv2.calcOpticalFlowPyrLK(before, after, at, start.copy(), **settings)
    back, again, _ = cv2.calcOpticalFlowPyrLK(after, before, there, at.copy(), **settings)
    good = (np.asarray(ok).ravel() == 1) & (np.asarray(again).ravel() == 1)
    good &= np.hypot(*(np.asarray(back) - at).reshape(-1, 2).T) < _BACK_PX
    found = np.asarray(there, dtype=np.float64).reshape(-1, 2) + 0.5
    height, width = before.shape
    good &= (found > 0).all(axis=1) & (found < (width, height)).all(axis=1)
    return found, good
