"""The frame as each lens of a comparison records it, over the scene of its shot."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

from framematch.compare.table import Comparison, Row
from framematch.geometry.pairing import Pairing
from framematch.geometry.pose import Pose
from framematch.render import render
from framematch.render.picture import Bytes
from framematch.render.pixels import frame_camera
from framematch.scene.model import Scene
from framematch.scene.open import scene_of


def recorded_frame(scene: Scene, pairing: Pairing, scene_from_recording: Pose, *, height_px: int, renderer: str = "auto") -> Bytes:
    """The recorded frame alone (H, W, 3), de-squeezed."""
    return render(scene, frame_camera(pairing, height_px=height_px), scene_from_recording, renderer=renderer).colour


def lens_view(*, renderer: str = "auto") -> Callable[[Comparison, Row, float, int], Bytes]:
    """A source of pictures for the lens sheet: comparison, row, distance before the opening, width in pixels."""
    scene = lru_cache(maxsize=1)(scene_of)

    def view(c: Comparison, row: Row, distance_m: float, width_px: int) -> Bytes:
        aspect = c.pairing.frame_aspect
        seen = scene(c.shot.scenery)
        pairing, height = replace(c.pairing, recording=row.camera), max(1, round(width_px / aspect))
        return recorded_frame(seen, pairing, c.shot.scene_from_recording(distance_m), height_px=height, renderer=renderer)

    return view
