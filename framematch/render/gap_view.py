"""Recorded views of a gap for the lens sheet, over one of the scenes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

from framematch.compare.table import Comparison, Row
from framematch.geometry.pairing import Pairing
from framematch.render import render
from framematch.render.picture import Bytes
from framematch.render.pixels import frame_camera
from framematch.scene.model import Scene, ViewPose
from framematch.scene.people import Figure
from framematch.scene.registry import make_scene
from framematch.shot.opening import Gap
from framematch.shot.run import Run
from framematch.shot.values import Subject

_LEAST_WALL_M = 0.005  # scenes cut gaps into something


@lru_cache(maxsize=8)
def gap_scene(name: str, gap: Gap, subjects: tuple[Subject, ...]) -> Scene:
    """A scene by name with this gap in it, and the subjects standing where they are.

    Raises:
        InputError: no such scene, or a gap that it can't have.
    """
    wall = max(gap.thickness_m, _LEAST_WALL_M)
    people = [Figure(x_m=s.right_m, z_m=wall / 2 - s.beyond_m, height_m=s.height_m) for s in subjects]
    return make_scene(
        name, width_m=gap.width_m, height_m=gap.height_m, shape=gap.shape, sill_m=gap.sill_m, thickness_m=wall, figures=people if subjects else None
    )


def run_pose(gap: Gap, run: Run, *, distance_m: float) -> ViewPose:
    """Where the recording camera is in the scene, a distance before the gap's near face along the run.

    Scenes have the middle of the wall's thickness in their plane z = 0.
    """
    right, down, through = (float(c) for c in run.camera_m(distance_m))
    wall = max(gap.thickness_m, _LEAST_WALL_M)
    return ViewPose(
        position_m=(right, gap.ground_y_m - down, wall / 2 - through),
        heading_deg=run.heading_deg + run.pan_deg,
        pitch_deg=run.tilt_deg,
        bank_deg=run.bank_deg,
    )


def recorded_view(pairing: Pairing, row: Row, gap: Gap, run: Run, *, scene: Scene, distance_m: float, height_px: int, renderer: str = "auto") -> Bytes:
    """The frame (H, W, 3) as this lens records it."""
    camera = frame_camera(replace(pairing, recording=row.camera), height_px=height_px)
    return render(scene, camera, run_pose(gap, run, distance_m=distance_m).scene_from_camera, renderer=renderer).colour


def scene_view(name: str, *, renderer: str = "auto") -> Callable[[Comparison, Row, float, int], Bytes]:
    """A source of pictures for the sheet, over the scene of this name."""

    def view(c: Comparison, row: Row, distance_m: float, width_px: int) -> Bytes:
        per_mm, frame = c.pairing.recording.pixels_per_mm, c.pairing.frame
        aspect = frame.width / per_mm[0] * c.pairing.recording.lens.squeeze / (frame.height / per_mm[1])
        scene = gap_scene(name, c.gap, c.subjects)
        height = max(1, round(width_px / aspect))
        return recorded_view(c.pairing, row, c.gap, c.run, scene=scene, distance_m=distance_m, height_px=height, renderer=renderer)

    return view
