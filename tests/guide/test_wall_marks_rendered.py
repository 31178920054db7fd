"""Wall marks taped by their numbers, seen in the rendered views: by another room's code, from triangles."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from rigs import glasshouse

from framematch.geometry.camera import Display
from framematch.geometry.mount import Mount
from framematch.guide.wall_marks import correction_table, off_by, readings, wall_marks
from framematch.render.views import both_views
from framematch.scene.model import Scene, Surface
from framematch.shot.place import standing

MARK_M = 0.06


def wall_with_marks(marks, distance_m: float):
    """A pale wall square to the rig, with dark square marks at the tape numbers, rounded to whole millimetres."""

    def quad(x: float, y: float, half_x: float, half_y: float, z: float) -> np.ndarray:
        return np.array([(x - half_x, y - half_y, z), (x + half_x, y - half_y, z), (x + half_x, y + half_y, z), (x - half_x, y + half_y, z)])

    quads = [quad(0, 0, 12, 8, -distance_m)]
    quads += [quad(round(m.right_mm) / 1000, round(m.up_mm) / 1000, MARK_M / 2, MARK_M / 2, -distance_m + 5e-4) for m in marks]
    faces = np.concatenate([[[4 * i, 4 * i + 1, 4 * i + 2], [4 * i, 4 * i + 2, 4 * i + 3]] for i in range(len(quads))])
    colours = np.repeat(np.array([[230, 230, 230]] + [[5, 5, 5]] * len(marks), dtype=np.uint8), 4, axis=0)
    return Scene(name="wall", surface=Surface(vertices=np.concatenate(quads), faces=faces, colours=colours), ground_m=-10.0)


def seen_at(picture: np.ndarray, near_px: tuple[float, float]) -> tuple[float, float]:
    """Middle of the dark mark near a place: mean of its pixels' centres, weighted by how dark they are."""
    grey = picture.astype(float).mean(axis=2)
    x0, y0 = (int(v) - 25 for v in near_px)
    part = grey[y0 : y0 + 50, x0 : x0 + 50]
    weight = np.clip((np.median(part) - part) / np.median(part) - 0.1, 0, None)
    ys, xs = np.mgrid[y0 : y0 + 50, x0 : x0 + 50] + 0.5
    return float((xs * weight).sum() / weight.sum()), float((ys * weight).sum() / weight.sum())


def views(pairing, marks, distance_m: float):
    return both_views(wall_with_marks(marks, distance_m), pairing, standing((0.0, 0.0, 0.0)), renderer="rays")


@pytest.mark.parametrize("fit,distance_m", [("crop", 1.5), ("letterbox", 3.0)])
def test_marks_show_where_told(fit: str, distance_m: float) -> None:
    pairing = glasshouse(
        display=Display(raster_px=(1280, 720), source_px=(1440, 1080), fit=fit),
        mount=Mount(right_mm=15, up_mm=58, forward_mm=31, pan_deg=1.0, tilt_deg=-3.0, roll_deg=1.5),
    )
    marks = wall_marks(pairing, distance_m)
    found = views(pairing, marks, distance_m)
    off = [np.hypot(*np.subtract(seen_at(found.wide.colour, m.display_px), m.display_px)) for m in marks]
    assert max(off) <= 0.5
    frame = found.frame.colour.astype(float).mean(axis=2)
    for corner in (frame[0, 0], frame[0, -1], frame[-1, 0], frame[-1, -1]):
        assert corner < 0.3 * np.median(frame)


def test_a_tilt_that_is_off_is_read_back_from_the_table() -> None:
    pairing = glasshouse()
    marks = wall_marks(pairing, 3.0)
    real = replace(pairing, mount=replace(pairing.mount, tilt_deg=0.7))
    picture = views(real, marks, 3.0).wide.colour
    seen = [seen_at(picture, m.display_px) for m in marks]
    assert off_by(correction_table(pairing, 3.0), readings(marks, seen))["tilt_deg"] == pytest.approx(0.7, abs=0.05)
